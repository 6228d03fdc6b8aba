#include "card/plain_quads.h"

#include <algorithm>
#include <cmath>

namespace panecard::card {
namespace {

double cross(Eigen::Vector2d a, Eigen::Vector2d b) { return a.x() * b.y() - a.y() * b.x(); }

/// A segment as a directed side; the inside of the quad lies on its right as seen (y down).
struct Side {
  Eigen::Vector2d a, d;
  double length;
};

/// The end of one side joins the start of side `next` at `at`.
struct Junction {
  int next;
  Eigen::Vector2d at;
};

constexpr double kMinCross = 0.64;  // sin 40 deg: a right angle seen at up to about 45 deg of tilt

/// Whether a segment's end is close enough to the corner, `beyond` px further on: up to 1.2 lengths
/// short of it (the rest of the side may be hidden), or past it by 0.35 (something collinear
/// follows).
bool near_end(double beyond, double length) {
  return beyond > -0.35 * length - 3 && beyond < 1.2 * length + 6;
}

class QuadSearch {
 public:
  QuadSearch(const std::vector<Segment>& segments, const GradientField& field,
             const QuadLimits& limits)
      : field_(field), limits_(limits) {
    for (const Segment& s : segments) {
      sides_.push_back({s.a, s.direction(), s.length()});
      sides_.push_back({s.b, -s.direction(), s.length()});
    }
    junctions_.resize(sides_.size());
    cv::parallel_for_({0, count()}, [&](const cv::Range& range) {
      for (int i = range.start; i < range.end; ++i) {
        for (int k = 0; k < count(); ++k) add_junction(i, k);
      }
    });
  }

  std::vector<Quad> run() {
    std::vector<std::vector<Quad>> found_from(sides_.size());
    cv::parallel_for_({0, count()}, [&](const cv::Range& range) {
      for (int i = range.start; i < range.end; ++i) run_from(i, found_from[i]);
    });
    std::vector<Quad> found;
    for (const std::vector<Quad>& some : found_from) {
      found.insert(found.end(), some.begin(), some.end());
    }
    return found;
  }

 private:
  void run_from(int i, std::vector<Quad>& found) const {
    for (const Junction& ij : junctions_[i]) {
      for (const Junction& jk : junctions_[ij.next]) {
        if (sides_[i].d.dot(sides_[jk.next].d) > -0.9) continue;
        if ((jk.at - ij.at).norm() < limits_.min_side_px) continue;
        for (const Junction& kl : junctions_[jk.next]) close_quad(i, ij, jk, kl, found);
      }
    }
  }

  int count() const { return static_cast<int>(sides_.size()); }

  void add_junction(int i, int k) {
    const Side &p = sides_[i], &q = sides_[k];
    const double turn = cross(p.d, q.d);
    if (turn < kMinCross) return;
    const double along = cross(q.a - p.a, q.d) / turn;
    if (!near_end(along - p.length, p.length)) return;
    const Eigen::Vector2d at = p.a + along * p.d;
    if (!near_end((q.a - at).dot(q.d), q.length)) return;
    junctions_[i].push_back({k, at});
  }

  void close_quad(int i, const Junction& ij, const Junction& jk, const Junction& kl,
                  std::vector<Quad>& found) const {
    // Every quad is found once from each of its four sides: keep the first.
    if (i > ij.next || i > jk.next || i > kl.next) return;
    if (sides_[ij.next].d.dot(sides_[kl.next].d) > -0.9) return;
    for (const Junction& li : junctions_[kl.next]) {
      if (li.next != i) continue;
      Quad quad{{li.at, ij.at, jk.at, kl.at}, 0};
      if (!shape_allowed(quad)) return;
      quad.support = support(quad);
      if (quad.support >= 0.5) found.push_back(quad);
      return;
    }
  }

  bool shape_allowed(const Quad& quad) const {
    std::array<double, 4> side{};
    for (int e = 0; e < 4; ++e) {
      const Eigen::Vector2d a = quad.corner[e], b = quad.corner[(e + 1) % 4];
      const Eigen::Vector2d c = quad.corner[(e + 2) % 4];
      side[e] = (b - a).norm();
      if (side[e] < limits_.min_side_px || cross(b - a, c - b) <= 0) return false;
    }
    for (int e = 0; e < 2; ++e) {  // opposite sides: a near one is seen larger, not twice as large
      if (side[e] > 1.6 * side[e + 2] || side[e + 2] > 1.6 * side[e]) return false;
    }
    const double p = side[0] + side[2], q = side[1] + side[3];
    const double ratio = std::max(p, q) / std::min(p, q);
    return ratio >= limits_.min_side_ratio && ratio <= limits_.max_side_ratio;
  }

  /// Is there an edge across direction d within a pixel of p?
  bool edge_at(const Eigen::Vector2d& p, const Eigen::Vector2d& d) const {
    const Eigen::Vector2d normal(-d.y(), d.x());
    for (const double off : {0.0, -1.0, 1.0}) {
      const Eigen::Vector2d at = p + off * normal;
      const int x = static_cast<int>(std::floor(at.x())), y = static_cast<int>(std::floor(at.y()));
      if (x < 0 || y < 0 || x >= field_.magnitude.cols || y >= field_.magnitude.rows) return false;
      const double m = field_.magnitude(y, x);
      if (m < 2.2 * field_.noise) continue;
      const double across =
          std::abs(field_.vector(y, x)[0] * normal.x() + field_.vector(y, x)[1] * normal.y());
      if (across > 0.9 * m) return true;
    }
    return false;
  }

  double support(const Quad& quad) const {
    double shortest = 1e9;
    for (int e = 0; e < 4; ++e) {
      shortest = std::min(shortest, (quad.corner[(e + 1) % 4] - quad.corner[e]).norm());
    }
    double least = 1;
    for (int e = 0; e < 4; ++e) {
      const Eigen::Vector2d a = quad.corner[e], b = quad.corner[(e + 1) % 4];
      const double length = (b - a).norm(), margin = limits_.corner_share * shortest + 1;
      const Eigen::Vector2d d = (b - a) / length;
      int seen = 0, asked = 0;
      for (; margin + asked < length - margin; ++asked) {
        if (edge_at(a + (margin + asked) * d, d)) ++seen;
      }
      if (asked == 0) return 0;
      least = std::min(least, static_cast<double>(seen) / asked);
      if (least < 0.5) return 0;
    }
    return least;
  }

  const GradientField& field_;
  QuadLimits limits_;
  std::vector<Side> sides_;
  std::vector<std::vector<Junction>> junctions_;
};

double corner_distance(const Quad& p, const Quad& q) {
  double least = 1e9;
  for (int turn = 0; turn < 4; ++turn) {
    double worst = 0;
    for (int c = 0; c < 4; ++c) {
      worst = std::max(worst, (p.corner[c] - q.corner[(c + turn) % 4]).norm());
    }
    least = std::min(least, worst);
  }
  return least;
}

}  // namespace

std::vector<Quad> find_quads(const std::vector<Segment>& segments, const GradientField& field,
                             const QuadLimits& limits, std::size_t max_count) {
  std::vector<Quad> all = QuadSearch(segments, field, limits).run();
  std::stable_sort(all.begin(), all.end(),
                   [](const Quad& p, const Quad& q) { return p.support > q.support; });
  std::vector<Quad> kept;
  for (const Quad& quad : all) {
    const bool copy = std::any_of(kept.begin(), kept.end(), [&](const Quad& other) {
      return corner_distance(quad, other) < 2.0;
    });
    if (!copy) kept.push_back(quad);
    if (kept.size() == max_count) break;
  }
  return kept;
}

}  // namespace panecard::card
