#include "layout/compact.h"

#include <ClpSimplex.hpp>
#include <algorithm>
#include <cmath>
#include <limits>

namespace panecard::layout {
namespace {

/// The places p with normal . p >= offset.
struct HalfPlane {
  PointMm normal;
  double offset = 0;
};

struct Segment {
  PointMm a, b;
};

struct Nearest {
  PointMm at;
  std::size_t segment = 0;
  double distance = std::numeric_limits<double>::infinity();
};

Nearest nearest_point(const std::vector<Segment>& segments, PointMm r) {
  Nearest out;
  for (std::size_t k = 0; k < segments.size(); ++k) {
    const PointMm along = segments[k].b - segments[k].a;
    const double length2 = dot(along, along);
    const double t =
        length2 > 0 ? std::clamp(dot(r - segments[k].a, along) / length2, 0.0, 1.0) : 0;
    const PointMm p = segments[k].a + t * along;
    const double d = distance(p, r);
    if (d < out.distance) out = {p, k, d};
  }
  return out;
}

PointMm outward(const Segment& s) {
  const PointMm along = s.b - s.a;
  return (1 / norm(along)) * PointMm{along.y, -along.x};
}

/// The parts of the segments on the allowed side of `h`.
std::vector<Segment> clipped(const std::vector<Segment>& segments, const HalfPlane& h, double eps) {
  std::vector<Segment> out;
  for (const Segment& s : segments) {
    const double a = dot(h.normal, s.a) - h.offset, b = dot(h.normal, s.b) - h.offset;
    if (a <= eps && b <= eps) continue;
    Segment part = s;
    if (a < 0) part.a = s.a + (a / (a - b)) * (s.b - s.a);
    if (b < 0) part.b = s.a + (a / (a - b)) * (s.b - s.a);
    out.push_back(part);
  }
  return out;
}

/// A convex region of non-overlapping positions around `r`, or around the nearest one when `r`
/// overlaps. Half planes are added at the nearest point of the no-fit polygon until none of it is
/// left inside.
std::vector<HalfPlane> convex_free_region(const NoFitPolygon& no_fit, PointMm r, double reach,
                                          bool overlaps, double size) {
  const double eps = 1e-10 * size, touching = 1e-6 * size;
  std::vector<Segment> left;
  for (const PolygonMm& loop : no_fit.loops()) {
    for (std::size_t i = 0; i < loop.size(); ++i) {
      const Segment s{loop[i], loop[(i + 1) % loop.size()]};
      if (std::min(s.a.x, s.b.x) > r.x + reach || std::max(s.a.x, s.b.x) < r.x - reach ||
          std::min(s.a.y, s.b.y) > r.y + reach || std::max(s.a.y, s.b.y) < r.y - reach) {
        continue;
      }
      left.push_back(s);
    }
  }
  std::vector<HalfPlane> out;
  if (overlaps) {
    if (left.empty()) return {};
    r = nearest_point(left, r).at;
  }
  while (!left.empty()) {
    const Nearest near = nearest_point(left, r);
    const PointMm edge = outward(left[near.segment]);
    HalfPlane h;
    // Within rounding of the boundary only the edge knows which side is free, and facing an edge
    // squarely its own normal is the exact one.
    h.normal = near.distance > touching ? (1 / near.distance) * (r - near.at) : edge;
    if (dot(h.normal, edge) > 1 - 1e-9) h.normal = edge;
    h.offset = dot(h.normal, near.at);
    out.push_back(h);
    left.erase(left.begin() + static_cast<std::ptrdiff_t>(near.segment));
    left = clipped(left, h, eps);
  }
  return out;
}

/// The linear programme of one step. Variables: x and y of every copy, the length, one slack per
/// overlapping pair.
class Step {
 public:
  Step(const Problem& problem, NoFitCache& nfp_cache, const State& state, double reach)
      : problem_(problem), nfp_cache_(nfp_cache), state_(state), reach_(reach) {}

  /// @return false when overlaps remain or the solver found no optimum
  bool solve(State& out) {
    variables();
    if (!pairs()) return false;
    ClpSimplex model;
    model.setLogLevel(0);
    model.setPrimalTolerance(1e-9);
    model.setDualTolerance(1e-9);
    const auto rows = static_cast<int>(starts_.size()) - 1;
    const CoinPackedMatrix matrix(false, static_cast<int>(low_.size()), rows,
                                  static_cast<CoinBigIndex>(index_.size()), element_.data(),
                                  index_.data(), starts_.data(), nullptr);
    const std::vector<double> no_limit(row_low_.size(), COIN_DBL_MAX);
    model.loadProblem(matrix, low_.data(), high_.data(), cost_.data(), row_low_.data(),
                      no_limit.data());
    model.dual();
    if (!model.isProvenOptimal()) return false;
    const double* value = model.primalColumnSolution();
    const std::size_t n = state_.at.size();
    for (std::size_t k = 2 * n + 1; k < low_.size(); ++k) {
      if (value[k] > 1e-7) return false;
    }
    out = state_;
    out.length = 0;
    for (std::size_t i = 0; i < n; ++i) {
      out.at[i] = {unit_ * value[2 * i], unit_ * value[2 * i + 1]};
      out.length = std::max(out.length, out.at[i].x + form(i).width);
    }
    return true;
  }

 private:
  const Form& form(std::size_t i) const {
    return problem_.forms[static_cast<std::size_t>(state_.form[i])];
  }

  void variables() {
    // The solver's tolerances are absolute: lengths go in as shares of the strip's width.
    unit_ = problem_.width;
    const std::size_t n = state_.at.size();
    for (std::size_t i = 0; i < n; ++i) {
      const PointMm p = state_.at[i];
      low_.push_back(std::max(0.0, p.x - reach_) / unit_);
      high_.push_back((p.x + reach_) / unit_);
      const double most_y = std::max(0.0, problem_.width - form(i).height);
      low_.push_back(std::clamp(p.y - reach_, 0.0, most_y) / unit_);
      high_.push_back(std::clamp(p.y + reach_, 0.0, most_y) / unit_);
      cost_.push_back(1e-4 / static_cast<double>(n));
      cost_.push_back(0);
    }
    low_.push_back(0), high_.push_back(COIN_DBL_MAX), cost_.push_back(1);
    starts_.push_back(0);
    for (std::size_t i = 0; i < n; ++i) {
      add_row({{2 * n, 1}, {2 * i, -1}}, form(i).width / unit_);
    }
  }

  struct Entry {
    std::size_t column;
    double value;
  };
  void add_row(std::initializer_list<Entry> entries, double least) {
    for (const Entry& e : entries) {
      if (e.value == 0) continue;
      index_.push_back(static_cast<int>(e.column));
      element_.push_back(e.value);
    }
    starts_.push_back(static_cast<CoinBigIndex>(index_.size()));
    row_low_.push_back(least);
  }

  bool pairs() {
    constexpr double kSlackCost = 1e3;
    const std::size_t n = state_.at.size();
    for (std::size_t i = 0; i < n; ++i) {
      for (std::size_t j = 0; j < n; ++j) {
        if (state_.form[i] > state_.form[j] || i == j ||
            (state_.form[i] == state_.form[j] && i > j)) {
          continue;
        }
        const PointMm r = state_.at[j] - state_.at[i];
        const double reach = 2 * reach_;
        if (r.x > form(i).width + reach || r.x < -form(j).width - reach ||
            r.y > form(i).height + reach || r.y < -form(j).height - reach) {
          continue;
        }
        const NoFitPolygon& no_fit = nfp_cache_.get(state_.form[i], state_.form[j]);
        const bool overlaps = no_fit.depth(static_cast<float>(r.x), static_cast<float>(r.y)) > 0;
        std::size_t slack = 0;
        if (overlaps) {
          slack = low_.size();
          low_.push_back(0), high_.push_back(COIN_DBL_MAX), cost_.push_back(kSlackCost);
        }
        const auto part = convex_free_region(no_fit, r, reach, overlaps, problem_.width);
        if (overlaps && part.empty()) return false;  // out of reach
        for (const HalfPlane& h : part) {
          if (overlaps) {
            add_row({{2 * j, h.normal.x},
                     {2 * j + 1, h.normal.y},
                     {2 * i, -h.normal.x},
                     {2 * i + 1, -h.normal.y},
                     {slack, 1}},
                    h.offset / unit_);
          } else {
            add_row({{2 * j, h.normal.x},
                     {2 * j + 1, h.normal.y},
                     {2 * i, -h.normal.x},
                     {2 * i + 1, -h.normal.y}},
                    h.offset / unit_);
          }
        }
      }
    }
    return true;
  }

  const Problem& problem_;
  NoFitCache& nfp_cache_;
  const State& state_;
  double reach_, unit_ = 1;
  std::vector<double> low_, high_, cost_, element_, row_low_;
  std::vector<int> index_;
  std::vector<CoinBigIndex> starts_;
};

}  // namespace

bool compact(const Problem& problem, NoFitCache& nfp_cache, State& state) {
  constexpr int kSteps = 20;
  const double reach = 0.1 * std::sqrt(problem.area / static_cast<double>(problem.copies.size()));
  State now = state, next;
  double before = std::numeric_limits<double>::infinity();
  bool any = false;
  for (int k = 0; k < kSteps; ++k) {
    if (!Step(problem, nfp_cache, now, reach).solve(next)) break;
    any = true;
    now = next;
    if (now.length > before * (1 - 1e-6)) break;
    before = now.length;
  }
  if (any) state = now;
  return any;
}

}  // namespace panecard::layout
