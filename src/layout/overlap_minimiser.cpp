#include "layout/overlap_minimiser.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cstring>
#include <limits>

namespace panecard::layout {

namespace {

constexpr std::size_t kLanes = 4;
using Floats = float __attribute__((vector_size(4 * kLanes), aligned(4), may_alias));
using Ints = int __attribute__((vector_size(4 * kLanes)));

const Floats& load_lanes(const std::vector<float>& from, std::size_t i) {
  return *reinterpret_cast<const Floats*>(from.data() + i);
}

/// Bit k is set where lane k is true.
std::uint32_t bits_of(const Ints& lanes) {
  const Ints marked = lanes & Ints{1, 2, 4, 8};
  std::array<std::uint64_t, kLanes / 2> words;
  std::memcpy(words.data(), &marked, sizeof marked);
  std::uint64_t all = 0;
  for (const std::uint64_t w : words) all |= w;
  return static_cast<std::uint32_t>(all | all >> 32);
}

}  // namespace

OverlapMinimiser::OverlapMinimiser(const Problem& problem, NoFitCache& nfp_cache,
                                   std::uint64_t seed)
    : problem_(problem),
      nfp_cache_(nfp_cache),
      random_(seed),
      weight_(problem.copies.size() * problem.copies.size(), 1),
      depth_(weight_.size(), 0) {
  const std::size_t n = problem.copies.size();
  for (const Copy& a : problem.copies) {
    for (const Copy& b : problem.copies) {
      scale_.push_back(std::sqrt(a.size * b.size / (a.size + b.size)) * std::sqrt(a.size * b.size));
    }
  }
  constexpr float kNowhere = std::numeric_limits<float>::infinity();
  const std::size_t padded = (n + kLanes - 1) / kLanes * kLanes;
  for (auto* side : {&boxes_.left, &boxes_.low}) side->assign(padded, kNowhere);
  for (auto* side : {&boxes_.right, &boxes_.high}) side->assign(padded, -kNowhere);
}

void OverlapMinimiser::store_box(std::size_t i) {
  const Form& f = problem_.forms[static_cast<std::size_t>(now_.form[i])];
  const PointMm p = now_.at[i];
  boxes_.left[i] = static_cast<float>(p.x), boxes_.right[i] = static_cast<float>(p.x + f.width);
  boxes_.low[i] = static_cast<float>(p.y), boxes_.high[i] = static_cast<float>(p.y + f.height);
}

/// Weighted severity of copy `i` at a position. Stops adding at `limit`.
double OverlapMinimiser::cost(std::size_t i, int form, double x, double y, double limit) {
  const Form& mine = problem_.forms[static_cast<std::size_t>(form)];
  const std::size_t n = now_.form.size();
  const double* weight = weight_.data() + i * n;
  const auto left = static_cast<float>(x), low = static_cast<float>(y);
  const auto right = static_cast<float>(x + mine.width), high = static_cast<float>(y + mine.height);
  double sum = 0;
  for (std::size_t first = 0; first < n; first += kLanes) {
    auto near = bits_of(
        (load_lanes(boxes_.left, first) < right) & (load_lanes(boxes_.right, first) > left) &
        (load_lanes(boxes_.low, first) < high) & (load_lanes(boxes_.high, first) > low));
    for (; near != 0; near &= near - 1) {
      const std::size_t j = first + static_cast<std::size_t>(std::countr_zero(near));
      if (i == j) continue;
      const float d = nfp_cache_.depth(now_.form[j], form, static_cast<float>(x - now_.at[j].x),
                                       static_cast<float>(y - now_.at[j].y));
      if (d <= 0) continue;
      sum += weight[j] * severity(i, j, d);
      if (sum >= limit) return sum;
    }
  }
  return sum;
}

void OverlapMinimiser::measure(std::size_t i) {
  const std::size_t n = now_.form.size();
  for (std::size_t j = 0; j < n; ++j) {
    if (i == j) continue;
    const double dx = now_.at[i].x - now_.at[j].x, dy = now_.at[i].y - now_.at[j].y;
    const Form& mine = problem_.forms[static_cast<std::size_t>(now_.form[i])];
    const Form& other = problem_.forms[static_cast<std::size_t>(now_.form[j])];
    float d = 0;
    if (dx < other.width && dx > -mine.width && dy < other.height && dy > -mine.height) {
      d = nfp_cache_.depth(now_.form[j], now_.form[i], static_cast<float>(dx),
                           static_cast<float>(dy));
    }
    depth_[i * n + j] = depth_[j * n + i] = d;
  }
}

void OverlapMinimiser::load(const State& state) {
  now_ = state;
  for (std::size_t i = 0; i < now_.form.size(); ++i) store_box(i);
  for (std::size_t i = 0; i < now_.form.size(); ++i) measure(i);
}

double OverlapMinimiser::overlap_of(std::size_t i) const {
  const std::size_t n = now_.form.size();
  double sum = 0;
  for (std::size_t j = 0; j < n; ++j) sum += depth_[i * n + j];
  return sum;
}

double OverlapMinimiser::sum() const {
  const std::size_t n = now_.form.size();
  double sum = 0;
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      if (depth_[i * n + j] > 0) sum += severity(i, j, depth_[i * n + j]);
    }
  }
  return sum;
}

void OverlapMinimiser::coordinate_descent(std::size_t i, Candidate& candidate, double from,
                                          double to) {
  const Form& form = problem_.forms[static_cast<std::size_t>(candidate.form)];
  const double most_x = std::max(0.0, now_.length - form.width),
               most_y = std::max(0.0, problem_.width - form.height);
  double step_x = from, step_y = from;
  while (candidate.cost > 0 && (step_x > to || step_y > to)) {
    const double kind = random_.unit();
    const int along = kind < 1.0 / 3 ? 0 : kind < 2.0 / 3 ? 1 : 2;
    const double sx = along == 1 ? 0 : step_x, sy = along == 0 ? 0 : step_y;
    const double lean = along == 2 && random_.unit() < 0.5 ? -1 : 1;
    bool better = false;
    Candidate best = candidate;
    for (const double way : {1.0, -1.0}) {
      const double x = std::clamp(candidate.x + way * sx, 0.0, most_x),
                   y = std::clamp(candidate.y + way * lean * sy, 0.0, most_y);
      const double c = cost(i, candidate.form, x, y, best.cost);
      if (c >= best.cost) continue;
      best = {candidate.form, x, y, c};
      better = true;
    }
    candidate = best;
    const double by = better ? 1.1 : 0.5;
    if (along != 1) step_x *= by;
    if (along != 0) step_y *= by;
  }
}

OverlapMinimiser::Candidate OverlapMinimiser::best_candidate(std::size_t i) {
  constexpr int kAnywhere = 50, kNear = 25;
  constexpr std::size_t kRefined = 3;
  const std::vector<int>& forms = problem_.copies[i].forms;
  std::array<Candidate, kRefined> best;
  for (Candidate& s : best) s.cost = std::numeric_limits<double>::infinity();
  const auto offer = [&](int form, double x, double y) {
    const double c = cost(i, form, x, y, best.back().cost);
    if (c >= best.back().cost) return;
    const Form& f = problem_.forms[static_cast<std::size_t>(form)];
    const double close = 0.05 * std::min(f.width, f.height);
    std::size_t at = kRefined - 1;
    for (std::size_t k = 0; k < kRefined; ++k) {
      if (best[k].cost < std::numeric_limits<double>::infinity() && best[k].form == form &&
          std::abs(best[k].x - x) < close && std::abs(best[k].y - y) < close) {
        if (c >= best[k].cost) return;
        at = k;
        break;
      }
    }
    best[at] = {form, x, y, c};
    std::sort(best.begin(), best.end(),
              [](const Candidate& a, const Candidate& b) { return a.cost < b.cost; });
  };
  offer(now_.form[i], now_.at[i].x, now_.at[i].y);
  for (int k = 0; k < kNear; ++k) {
    const int form = random_.unit() < 0.8 ? now_.form[i] : forms[random_.below(forms.size())];
    const Form& f = problem_.forms[static_cast<std::size_t>(form)];
    const Form& g = problem_.forms[static_cast<std::size_t>(now_.form[i])];
    const double reach_x = 0.5 * f.width, reach_y = 0.5 * f.height;
    const double cx = now_.at[i].x + (g.width - f.width) / 2,
                 cy = now_.at[i].y + (g.height - f.height) / 2;
    const double mx = now_.length - f.width, my = problem_.width - f.height;
    if (mx < 0 || my < 0) continue;
    offer(form, std::clamp(cx + random_.between(-reach_x, reach_x), 0.0, mx),
          std::clamp(cy + random_.between(-reach_y, reach_y), 0.0, my));
  }
  for (int k = 0; k < kAnywhere; ++k) {
    const int form = forms[random_.below(forms.size())];
    const Form& f = problem_.forms[static_cast<std::size_t>(form)];
    const double mx = now_.length - f.width, my = problem_.width - f.height;
    if (mx < 0 || my < 0) continue;
    offer(form, random_.between(0, mx), random_.between(0, my));
  }
  std::size_t winner = 0;
  for (std::size_t k = 0; k < kRefined; ++k) {
    if (best[k].cost == std::numeric_limits<double>::infinity()) continue;
    const Form& f = problem_.forms[static_cast<std::size_t>(best[k].form)];
    const double side = std::min(f.width, f.height);
    coordinate_descent(i, best[k], 0.25 * side, 0.02 * side);
    if (best[k].cost < best[winner].cost) winner = k;
  }
  const Form& f = problem_.forms[static_cast<std::size_t>(best[winner].form)];
  const double side = std::min(f.width, f.height);
  coordinate_descent(i, best[winner], 0.01 * side, 0.001 * side);
  return best[winner];
}

void OverlapMinimiser::pass(const std::function<bool()>& keep_going) {
  const std::size_t n = now_.form.size();
  std::vector<std::size_t> order;
  for (std::size_t i = 0; i < n; ++i) {
    if (overlap_of(i) > 0) order.push_back(i);
  }
  for (std::size_t k = order.size(); k > 1; --k) std::swap(order[k - 1], order[random_.below(k)]);
  for (const std::size_t i : order) {
    if (overlap_of(i) <= 0) continue;
    if (!keep_going()) return;
    const Candidate candidate = best_candidate(i);
    ++moves_;
    now_.form[i] = candidate.form;
    now_.at[i] = {candidate.x, candidate.y};
    store_box(i);
    measure(i);
  }
}

void OverlapMinimiser::update_weights() {
  const std::size_t n = now_.form.size();
  double most = 0;
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      if (depth_[i * n + j] > 0) most = std::max(most, severity(i, j, depth_[i * n + j]));
    }
  }
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      double& w = weight_[i * n + j];
      const double d = depth_[i * n + j];
      w = d > 0 ? w * (1.2 + 0.8 * severity(i, j, d) / most) : std::max(1.0, 0.95 * w);
      weight_[j * n + i] = w;
    }
  }
}

bool OverlapMinimiser::solve(State& state, const StopRule& stop,
                             const std::function<bool()>& keep_going) {
  load(state);
  std::fill(weight_.begin(), weight_.end(), 1.0);
  total_ = sum();
  State best = now_;
  int strikes = 0;
  while (total_ > 0 && strikes < stop.strikes && keep_going()) {
    const double at_start = total_;
    int without_gain = 0;
    while (total_ > 0 && without_gain < stop.passes && keep_going()) {
      pass(keep_going);
      const double s = sum();
      if (s < total_) {
        without_gain = s < 0.98 * total_ ? 0 : without_gain;
        total_ = s;
        best = now_;
      } else {
        ++without_gain;
      }
      update_weights();
    }
    strikes = total_ < 0.98 * at_start ? 0 : strikes + 1;
    load(best);
  }
  state = best;
  return total_ <= 0;
}

}  // namespace panecard::layout
