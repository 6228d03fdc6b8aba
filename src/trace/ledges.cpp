#include "trace/ledges.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/core/utility.hpp>
#include <string>
#include <utility>

#include "trace/join.h"
#include "trace/strip.h"

namespace panecard::trace {
namespace {

struct Step {
  double inwards_mm = 0;
  bool clear = false;   ///< what lies before and after is alike but for the step
  double turn_rad = 0;  ///< of the curve
};

/// One line through what lies before and after a point, and a step there.
Step step_at(const PolygonMm& curve, int i, double row_mm) {
  constexpr double kFrom_mm = 8, kTo_mm = 45;  // a path slides from edge to edge in so much
  constexpr int kEvery = 3;                    // neighbours tell the same
  const int n = static_cast<int>(curve.size());
  const int from = static_cast<int>(kFrom_mm / row_mm), to = static_cast<int>(kTo_mm / row_mm);
  const PointMm at = curve[wrapped(i, n)];
  const PointMm first = curve[wrapped(i - to, n)], before = curve[wrapped(i - from, n)],
                after = curve[wrapped(i + from, n)], last = curve[wrapped(i + to, n)];
  const PointMm chord = last - first, u = (1 / std::max(norm(chord), 1e-9)) * chord;
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  double square = 0;
  int count = 0;
  for (const int way : {-1, 1}) {
    for (int k = from; k <= to; k += kEvery) {
      const PointMm p = curve[wrapped(i + way * k, n)] - at;
      const Eigen::Vector3d row(1, dot(u, p), way > 0 ? 1 : 0);
      const double y = cross(u, p);  // to the left, which is inside
      normal += row * row.transpose();
      right += y * row;
      square += y * y;
      ++count;
    }
  }
  const Eigen::Vector3d fit = normal.ldlt().solve(right);
  const double rest = std::sqrt(std::max(0.0, square - fit.dot(right)) / count);
  const PointMm a = before - first, b = last - after;
  constexpr double kClear = 6;  // times what the line leaves over
  return {fit[2], std::abs(fit[2]) > kClear * rest, std::atan2(cross(a, b), dot(a, b))};
}

struct Mark {
  int at = 0;
  double inwards_mm = 0;  ///< 0: a corner
};

/// Steps and corners, each where it is greatest.
std::vector<Mark> marks_of(const PolygonMm& curve, double row_mm) {
  constexpr double kLeast_mm = 1.5, kApart_mm = 15;
  constexpr double kCorner_rad = 25 * std::numbers::pi / 180;
  const int n = static_cast<int>(curve.size()), apart = static_cast<int>(kApart_mm / row_mm);
  std::vector<double> step(curve.size()), turn(curve.size());
  cv::parallel_for_({0, n}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const Step s = step_at(curve, i, row_mm);
      if (s.clear && std::abs(s.inwards_mm) >= kLeast_mm) step[i] = s.inwards_mm;
      if (std::abs(s.turn_rad) >= kCorner_rad) turn[i] = s.turn_rad;
    }
  });
  const auto greatest = [&](const std::vector<double>& values, int i) {
    if (values[i] == 0) return false;
    for (int k = -apart; k <= apart; ++k) {
      const double other = std::abs(values[wrapped(i + k, n)]), own = std::abs(values[i]);
      if (other > own || (other == own && k < 0)) return false;
    }
    return true;
  };
  std::vector<Mark> marks;
  for (int i = 0; i < n; ++i) {
    if (greatest(step, i)) marks.push_back({i, step[i]});
    if (greatest(turn, i)) marks.push_back({i, 0});
  }
  return marks;
}

double depth_mm(const Ledge& ledge, int k) {
  const double t = (k + 0.5) / ledge.count;
  return (1 - t) * ledge.first_mm + t * ledge.last_mm;
}

// What is not to be looked at so that the edge of a ledge is not taken again: it, and as far out
/// as half way to where the curve goes straight on.
PolygonMm cover_of(const PolygonMm& curve, const Ledge& ledge) {
  constexpr double kInwards_mm = 3;
  const int n = static_cast<int>(curve.size());
  const PolygonMm normals = outward_normals(curve);
  PolygonMm cover;
  for (int k = 0; k < ledge.count; ++k) {
    const int i = wrapped(ledge.first + k, n);
    cover.push_back(curve[i] + 0.5 * depth_mm(ledge, k) * normals[i]);
  }
  for (int k = ledge.count - 1; k >= 0; --k) {
    const int i = wrapped(ledge.first + k, n);
    cover.push_back(curve[i] - kInwards_mm * normals[i]);
  }
  return cover;
}

/// Whether one of these ledges of a curve lies where that one was.
bool any_at(const std::vector<Ledge>& ledges, const PolygonMm& curve, const Ledge& ledge,
            const PolygonMm& before) {
  const int n = static_cast<int>(curve.size()), m = static_cast<int>(before.size());
  const double reach_mm = 0.5 * ledge.count * kEdgeRow_mm;
  const PointMm middle = before[wrapped(ledge.first + ledge.count / 2, m)];
  return std::any_of(ledges.begin(), ledges.end(), [&](const Ledge& other) {
    for (int k = 0; k < other.count; ++k) {
      if (distance(curve[wrapped(other.first + k, n)], middle) < reach_mm) return true;
    }
    return false;
  });
}

/// How many of `points` count, of those closer than so much to the ledge's part of a curve.
template <typename Counts>
double sum_beside(const PolygonMm& points, const PolygonMm& curve, const Ledge& ledge,
                  double closer_mm, const Counts& counts) {
  const int n = static_cast<int>(curve.size());
  double sum = 0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    for (int k = 0; k < ledge.count; ++k) {
      if (distance(points[i], curve[wrapped(ledge.first + k, n)]) >= closer_mm) continue;
      sum += counts(i);
      break;
    }
  }
  return sum;
}

/// Whether an edge is there to be seen most of the way, and the evidence is for a seal beside it.
bool borne_out(const Ribbon& ribbon, const Edge& edge, const PolygonMm& level, const Ledge& ledge) {
  // Of the ledges looked at (docs/trace.md) the right ones had 0.82 and more, the wrong ones less
  // than half.
  constexpr double kMostOfTheWay = 0.75;
  // Never so far that the ledge's own edge would bear itself out.
  const auto [least_mm, most_mm] = std::minmax(ledge.first_mm, ledge.last_mm);
  const double close_mm = std::min(std::max(2.0, 0.4 * most_mm), 0.6 * least_mm);
  const double seen = sum_beside(edge.points, level, ledge, close_mm,
                                 [&](std::size_t i) { return edge.seen[i] ? 1.0 : 0.0; });
  return seen >= kMostOfTheWay * ledge.count &&
         sum_beside(inner_curve(ribbon), level, ledge, close_mm,
                    [&](std::size_t i) { return ribbon.sure[i]; }) > 0;
}

Finding finding_of(const Ledge& ledge, const PolygonMm& curve) {
  const PointMm middle =
      curve[wrapped(ledge.first + ledge.count / 2, static_cast<int>(curve.size()))];
  return {"step_levelled",
          "at the " + std::string(side_name(middle_of(curve), middle)) +
              " the clearest edge steps " + to_text(std::max(ledge.first_mm, ledge.last_mm), 0) +
              " mm inwards for " + to_text(ledge.count * kEdgeRow_mm, 0) +
              " mm, as along a reflection or what is behind the glass; panes have no steps, so the "
              "outline goes straight on there: look at the overlay"};
}

}  // namespace

std::vector<Ledge> ledges_of(const PolygonMm& curve, double row_mm) {
  const int n = static_cast<int>(curve.size());
  const std::vector<Mark> marks = marks_of(curve, row_mm);
  const int m = static_cast<int>(marks.size());
  std::vector<Ledge> out;
  for (int k = 0; k < m; ++k) {
    const Mark &a = marks[k], &b = marks[(k + 1) % m];
    const int count = wrapped(b.at - a.at, n);
    if (count == 0 || count > n / 3) continue;
    const double first = a.inwards_mm != 0 ? a.inwards_mm : -b.inwards_mm,
                 last = b.inwards_mm != 0 ? -b.inwards_mm : a.inwards_mm;
    if (first > 0 && last > 0) out.push_back({a.at, count, first, last});
  }
  return out;
}

PolygonMm levelled(PolygonMm curve, const Ledge& ledge) {
  const int n = static_cast<int>(curve.size());
  const PolygonMm normals = outward_normals(curve);
  for (int k = 0; k < ledge.count; ++k) {
    const int i = wrapped(ledge.first + k, n);
    curve[i] = curve[i] + depth_mm(ledge, k) * normals[i];
  }
  return curve;
}

std::vector<Finding> left_as_they_are(const std::vector<Ledge>& ledges, const PolygonMm& curve) {
  constexpr double kDeep_mm = 3, kLong_mm = 30;  // less is within what film overlaps, and no side
  const int n = static_cast<int>(curve.size());
  std::vector<Finding> out;
  for (const Ledge& ledge : ledges) {
    const double deep_mm = std::max(ledge.first_mm, ledge.last_mm),
                 long_mm = ledge.count * kEdgeRow_mm;
    if (deep_mm < kDeep_mm || long_mm < kLong_mm) continue;
    const PointMm middle = curve[wrapped(ledge.first + ledge.count / 2, n)];
    out.push_back({"step_in_edge",
                   "at the " + std::string(side_name(middle_of(curve), middle)) +
                       " the edge steps " + to_text(deep_mm, 0) + " mm inwards for " +
                       to_text(long_mm, 0) +
                       " mm, as panes rarely do, and no other is seen there: look at the overlay, "
                       "and point at the boundary with --near if it strays"});
  }
  return out;
}

std::vector<Finding> level_ledges(const Pyramid& photo, const Sight& sight,
                                  const std::vector<PolygonMm>& cards, Ribbon& ribbon, Edge& edge) {
  // The levelled curve is good to a millimetre, and the seal's cells are one wide.
  constexpr double kWithin_mm = 2;
  constexpr std::size_t kMost = 4;  // more is no pane with a few reflections beside its edge
  std::vector<Finding> findings;
  std::vector<Ledge> ledges = ledges_of(edge.points, kEdgeRow_mm);
  if (ledges.size() > kMost) return findings;
  const auto level_one = [&](const Ledge& ledge, const std::vector<PolygonMm>& covers) {
    const PolygonMm level = levelled(edge.points, ledge);
    Ribbon other =
        find_ribbon_along(photo, sight, covers, level, kWithin_mm, median(ribbon.width_mm), {});
    Edge tried = place_edge(photo, sight, covers, other);
    std::vector<Ledge> left = ledges_of(tried.points, kEdgeRow_mm);
    if (left.size() > ledges.size() || any_at(left, tried.points, ledge, edge.points) ||
        !borne_out(other, tried, level, ledge)) {
      return false;
    }
    findings.push_back(finding_of(ledge, edge.points));
    ribbon = std::move(other);
    edge = std::move(tried);
    ledges = std::move(left);
    return true;
  };
  std::size_t tries = 0;
  for (std::size_t k = 0; k < ledges.size() && tries < 2 * kMost; ++tries) {
    const Ledge ledge = ledges[k];
    std::vector<PolygonMm> covers = cards;
    covers.push_back(cover_of(edge.points, ledge));
    k = level_one(ledge, cards) || level_one(ledge, covers) ? 0 : k + 1;
  }
  for (Finding& left : left_as_they_are(ledges, edge.points)) findings.push_back(std::move(left));
  return findings;
}

}  // namespace panecard::trace
