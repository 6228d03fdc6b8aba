#include "layout/search.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

#include "layout/compact.h"
#include "layout/overlap_minimiser.h"

namespace panecard::layout {
namespace {

// After Gardeyn et al.: an exploration phase, then a compression phase for the best layout.
constexpr double kExplorationShare = 0.8;

struct FailedState {
  State state;
  double total = 0;
};

class Search {
 public:
  Search(const Problem& problem, NoFitCache& nfp_cache, const State& start, const Budget& budget)
      : problem_(problem),
        nfp_cache_(nfp_cache),
        budget_(budget),
        minimiser_(problem, nfp_cache, budget.seed),
        best_(start),
        bound_(length_lower_bound(problem)) {}

  State run() {
    nfp_cache_.set_keep_going([this] { return spent() < 1; });
    initial_layout();
    explore();
    compress();
    nfp_cache_.set_keep_going({});
    return best_;
  }

 private:
  double spent() const {
    if (best_.length <= bound_ * (1 + 1e-7)) return 1;
    const double by_moves = static_cast<double>(minimiser_.moves() + unmoved_) /
                            static_cast<double>(std::max<std::int64_t>(1, budget_.moves));
    return budget_.spent ? std::max(by_moves, budget_.spent()) : by_moves;
  }

  const Form& form(const State& s, std::size_t i) const {
    return problem_.forms[static_cast<std::size_t>(s.form[i])];
  }

  /// A copy that is longer than the strip takes its shortest form.
  void keep_inside(State& s) const {
    for (std::size_t i = 0; i < s.at.size(); ++i) {
      if (form(s, i).width > s.length) s.form[i] = shortest_form(problem_, problem_.copies[i]);
      const Form& f = form(s, i);
      s.at[i].x = std::clamp(s.at[i].x, 0.0, std::max(0.0, s.length - f.width));
      s.at[i].y = std::clamp(s.at[i].y, 0.0, std::max(0.0, problem_.width - f.height));
    }
  }

  /// Shortens the strip: everything right of a random cut moves left.
  void shrink_strip(State& s, double length) {
    const double cut = minimiser_.random().between(0, length), by = s.length - length;
    for (std::size_t i = 0; i < s.at.size(); ++i) {
      if (s.at[i].x + form(s, i).width / 2 > cut) s.at[i].x -= by;
    }
    s.length = length;
    keep_inside(s);
  }

  /// Removes the overlaps at the state's length and compacts. Keeps the result if it is the best.
  bool attempt(State& s, const OverlapMinimiser::StopRule& stop, double until) {
    const std::int64_t before = minimiser_.moves();
    const bool apart = minimiser_.solve(s, stop, [&] { return spent() < until; });
    // An attempt without a move counts as one per copy: otherwise a budget in moves never ends.
    if (minimiser_.moves() == before) unmoved_ += static_cast<std::int64_t>(s.at.size());
    State touching = s;
    if (!compact(problem_, nfp_cache_, touching) || nfp_cache_.incomplete()) return false;
    if (touching.length >= best_.length * (1 - 1e-9)) return apart;
    if (budget_.accept && !budget_.accept(touching)) return false;
    best_ = touching;
    return true;
  }

  State random_state(double length) {
    SplitMix64& random = minimiser_.random();
    State s;
    s.length = length;
    for (const Copy& copy : problem_.copies) {
      const int f = copy.forms[random.below(copy.forms.size())];
      const Form& shape = problem_.forms[static_cast<std::size_t>(f)];
      s.form.push_back(f);
      s.at.push_back({random.between(0, std::max(0.0, length - shape.width)),
                      random.between(0, problem_.width - shape.height)});
    }
    keep_inside(s);
    return s;
  }

  /// A first layout from random positions, in a strip that grows until all copies fit.
  void initial_layout() {
    constexpr double kDensity = 0.75, kLonger = 1.05;
    double length = std::max(problem_.area / problem_.width / kDensity, bound_);
    State s = random_state(length);
    while (length < best_.length && spent() < kExplorationShare) {
      if (attempt(s, {50, 1}, kExplorationShare)) return;
      s.length = length = length * kLonger;
    }
  }

  void explore() {
    constexpr double kFirstStep = 0.01, kLeastStep = 0.001;
    constexpr std::size_t kPool = 12;
    std::vector<FailedState> pool;
    double step = kFirstStep;
    State s = best_;
    bool fresh = true;
    while (spent() < kExplorationShare) {
      if (fresh) {
        s = best_;
        shrink_strip(s, std::max(best_.length * (1 - step), bound_));
      }
      const double before = best_.length;
      State tried = s;
      attempt(tried, {200, 3}, kExplorationShare);
      fresh = best_.length < before;
      if (fresh) {
        pool.clear();
        continue;
      }
      if (step > kLeastStep) {
        step = std::max(kLeastStep, step / 2);
        fresh = true;
        continue;
      }
      const FailedState failed{tried, minimiser_.total()};
      pool.insert(std::upper_bound(
                      pool.begin(), pool.end(), failed,
                      [](const FailedState& a, const FailedState& b) { return a.total < b.total; }),
                  failed);
      if (pool.size() > kPool) pool.pop_back();
      const double u = minimiser_.random().unit();
      s = pool[static_cast<std::size_t>(u * u * static_cast<double>(pool.size()))].state;
      swap_two_large(s);
    }
  }

  /// Swaps two random copies out of the larger half.
  void swap_two_large(State& s) {
    const std::size_t n = s.at.size();
    if (n < 2) return;
    std::vector<std::size_t> order(n);
    std::iota(order.begin(), order.end(), std::size_t{0});
    std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
      return problem_.copies[a].size > problem_.copies[b].size;
    });
    const std::size_t large = std::max<std::size_t>(2, n / 2);
    const std::size_t a = order[minimiser_.random().below(large)],
                      b = order[minimiser_.random().below(large)];
    const Form &fa = form(s, a), &fb = form(s, b);
    const PointMm centre_a = s.at[a] + PointMm{fa.width / 2, fa.height / 2},
                  centre_b = s.at[b] + PointMm{fb.width / 2, fb.height / 2};
    s.at[a] = centre_b - PointMm{fa.width / 2, fa.height / 2};
    s.at[b] = centre_a - PointMm{fb.width / 2, fb.height / 2};
    keep_inside(s);
  }

  void compress() {
    constexpr double kFirstStep = 5e-4, kLastStep = 1e-5;
    while (spent() < 1) {
      const double late = (spent() - kExplorationShare) / (1 - kExplorationShare);
      const double step = kFirstStep * std::pow(kLastStep / kFirstStep, std::clamp(late, 0.0, 1.0));
      State s = best_;
      shrink_strip(s, std::max(best_.length * (1 - step), bound_));
      attempt(s, {100, 5}, 1);
    }
  }

  const Problem& problem_;
  NoFitCache& nfp_cache_;
  const Budget& budget_;
  OverlapMinimiser minimiser_;
  State best_;
  double bound_;
  std::int64_t unmoved_ = 0;
};

}  // namespace

int shortest_form(const Problem& problem, const Copy& copy) {
  return *std::min_element(copy.forms.begin(), copy.forms.end(), [&](int a, int b) {
    return problem.forms[static_cast<std::size_t>(a)].width <
           problem.forms[static_cast<std::size_t>(b)].width;
  });
}

double length_lower_bound(const Problem& problem) {
  double bound = problem.area / problem.width;
  for (const Copy& copy : problem.copies) {
    const int shortest = shortest_form(problem, copy);
    bound = std::max(bound, problem.forms[static_cast<std::size_t>(shortest)].width);
  }
  return bound;
}

State row_layout(const Problem& problem) {
  State s;
  for (const Copy& copy : problem.copies) {
    s.form.push_back(shortest_form(problem, copy));
  }
  s.at.resize(s.form.size());
  std::vector<std::size_t> order(s.form.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  const auto width = [&](std::size_t i) {
    return problem.forms[static_cast<std::size_t>(s.form[i])].width;
  };
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return width(a) > width(b); });
  struct Row {
    double x = 0, filled = 0;
  };
  std::vector<Row> rows;
  for (const std::size_t i : order) {
    const double height = problem.forms[static_cast<std::size_t>(s.form[i])].height;
    auto row = std::find_if(rows.begin(), rows.end(),
                            [&](const Row& r) { return r.filled + height <= problem.width; });
    if (row == rows.end()) {
      rows.push_back({s.length, 0});
      row = rows.end() - 1;
      s.length += width(i);
    }
    s.at[i] = {row->x, row->filled};
    row->filled += height;
  }
  return s;
}

State search(const Problem& problem, NoFitCache& nfp_cache, const State& start,
             const Budget& budget) {
  if (problem.copies.empty()) return start;
  return Search(problem, nfp_cache, start, budget).run();
}

}  // namespace panecard::layout
