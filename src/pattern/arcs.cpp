// Approximates a dense cut line by lines and arcs: greedy, each as long as the tolerance allows.
#include <algorithm>
#include <cmath>
#include <numbers>

#include "pattern/line.h"
#include "pattern/pattern.h"

namespace panecard::pattern {
namespace {

constexpr double kMostSweep = 2 * std::numbers::pi / 3;

/// The one-parameter family of arcs from a to b. In the frame of the chord (length c, y to its
/// left) a point lies on the arc with parameter y / (x (c - x) - y^2), which is 0 for the straight
/// line; bulge = tan of a quarter of the sweep = -tan(atan(bend c) / 2).
class Chord {
 public:
  Chord(PointMm a, PointMm b) : a_(a), along_(unit(b - a)), length_(distance(a, b)) {}
  double bulge(double bend) const { return -std::tan(std::atan(bend * length_) / 2); }
  double most_bend() const { return std::tan(kMostSweep / 2) / length_; }

  /// Intersects [low, high] with the parameters whose arcs pass within `mm` of the point along the
  /// normal; false when none is left.
  bool narrow(PointMm p, PointMm normal, double mm, double& low, double& high) const {
    double bends[2];
    for (int k = 0; k < 2; ++k) {
      const PointMm q = p + (k == 0 ? -mm : mm) * normal - a_;
      const double x = dot(q, along_), y = cross(along_, q);
      const double room = x * (length_ - x) - y * y;
      if (!(room > 0)) return distance(p, a_) <= 2 * mm || distance(p, end()) <= 2 * mm;
      bends[k] = y / room;
    }
    low = std::max(low, std::min(bends[0], bends[1]));
    high = std::min(high, std::max(bends[0], bends[1]));
    return low <= high;
  }

 private:
  PointMm end() const { return a_ + length_ * along_; }
  PointMm a_, along_;
  double length_;
};

class Fitter {
 public:
  Fitter(const PolygonMm& line, double tolerance_mm) : line_(line), tolerance_(tolerance_mm) {
    const std::size_t n = line.size();
    std::vector<PointMm> edge(n);
    for (std::size_t i = 0; i < n; ++i) edge[i] = outward(unit(line[(i + 1) % n] - line[i]));
    edge_normal_ = edge;
    for (std::size_t i = 0; i < n; ++i) {
      vertex_normal_.push_back(unit(edge[(i + n - 1) % n] + edge[i]));
    }
  }

  std::vector<ArcVertex> fit() const {
    const std::size_t start = sharpest();
    std::size_t joint = 0;
    std::vector<ArcVertex> first = from(start, joint);
    // Without a sharp vertex the start may lie within an arc: fit again from the end of the first
    // one.
    std::vector<ArcVertex> second = from(joint, joint);
    return second.size() < first.size() ? second : first;
  }

 private:
  /// @param joint  set to where the first line or arc ends
  std::vector<ArcVertex> from(std::size_t start, std::size_t& joint) const {
    const std::size_t n = line_.size();
    std::vector<ArcVertex> out;
    for (std::size_t done = 0; done < n;) {
      double bulge = 0;
      const std::size_t steps = longest((start + done) % n, n - done, bulge);
      out.push_back({line_[(start + done) % n], bulge});
      done += steps;
      if (out.size() == 1) joint = (start + done) % n;
    }
    return out;
  }

  std::size_t sharpest() const {
    std::size_t best = 0;
    double least = 2;
    for (std::size_t i = 0; i < line_.size(); ++i) {
      const double straight =
          dot(edge_normal_[(i + line_.size() - 1) % line_.size()], edge_normal_[i]);
      if (straight < least) {
        least = straight;
        best = i;
      }
    }
    return best;
  }

  /// The longest step that fits, by exponential and binary search (assumes that fitting is
  /// monotone).
  std::size_t longest(std::size_t from, std::size_t most, double& bulge) const {
    std::size_t good = 1, bad = most + 1;
    while (good < most) {
      const std::size_t tried = std::min(2 * good, most);
      double b = 0;
      if (!fits(from, tried, b)) {
        bad = tried;
        break;
      }
      good = tried;
      bulge = b;
    }
    while (bad - good > 1) {
      const std::size_t tried = (good + bad) / 2;
      double b = 0;
      if (fits(from, tried, b)) {
        good = tried;
        bulge = b;
      } else {
        bad = tried;
      }
    }
    return good;
  }

  bool fits(std::size_t from, std::size_t steps, double& bulge) const {
    const std::size_t n = line_.size();
    const PointMm a = line_[from], b = line_[(from + steps) % n];
    if (!(distance(a, b) > 4 * tolerance_)) return false;
    const Chord chord(a, b);
    double low = -chord.most_bend(), high = chord.most_bend();
    double turn = 0;
    for (std::size_t k = 0; k < steps; ++k) {
      const std::size_t i = (from + k) % n;
      const PointMm p = line_[i], q = line_[(i + 1) % n];
      if (k > 0 && !chord.narrow(p, vertex_normal_[i], tolerance_, low, high)) return false;
      if (!chord.narrow(0.5 * (p + q), edge_normal_[i], tolerance_, low, high)) return false;
      if (k > 0) turn += turn_between(edge_normal_[(i + n - 1) % n], edge_normal_[i]);
      if (std::abs(turn) > 1.2 * kMostSweep) return false;
    }
    bulge = low <= 0 && high >= 0 ? 0 : chord.bulge((low + high) / 2);
    return true;
  }

  const PolygonMm& line_;
  double tolerance_;
  std::vector<PointMm> edge_normal_, vertex_normal_;
};

}  // namespace

std::vector<ArcVertex> lines_and_arcs(const PolygonMm& cut, double tolerance_mm) {
  if (cut.size() < 3) return {};
  constexpr double kReserve = 0.95;  // the tolerance is kept along normals, to first order
  return Fitter(cut, kReserve * tolerance_mm).fit();
}

}  // namespace panecard::pattern
