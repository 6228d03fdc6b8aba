#include "pattern/line.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "base/base.h"

namespace panecard::pattern {

ArcLengthCurve::ArcLengthCurve(const PolygonMm& points)
    : points_(points), at_(points.size() + 1, 0.0) {
  for (std::size_t i = 0; i < points.size(); ++i) {
    at_[i + 1] = at_[i] + distance(points[i], points[(i + 1) % points.size()]);
  }
}

std::size_t ArcLengthCurve::edge_of(double s) const {
  const auto after = std::upper_bound(at_.begin(), at_.end(), s);
  const auto index = static_cast<std::size_t>(after - at_.begin());
  return std::clamp<std::size_t>(index, 1, points_.size()) - 1;
}

PointMm ArcLengthCurve::point(double s) const {
  s = positive_modulo(s, length());
  const std::size_t edge = edge_of(s);
  const double run = at_[edge + 1] - at_[edge];
  const PointMm a = points_[edge], b = points_[(edge + 1) % points_.size()];
  return run > 0 ? a + ((s - at_[edge]) / run) * (b - a) : a;
}

std::size_t ArcLengthCurve::nearest_vertex(double s) const {
  s = positive_modulo(s, length());
  const std::size_t edge = edge_of(s);
  return s - at_[edge] <= at_[edge + 1] - s ? edge : (edge + 1) % points_.size();
}

double positive_modulo(double value, double period) {
  const double rest = std::fmod(value, period);
  return rest < 0 ? rest + period : rest;
}

double turn_between(PointMm a, PointMm b) { return std::atan2(cross(a, b), dot(a, b)); }

PointMm unit(PointMm a) {
  const double length = norm(a);
  return length > 0 ? (1 / length) * a : PointMm{1, 0};
}

PointMm turned(PointMm a, double rad) {
  const double c = std::cos(rad), s = std::sin(rad);
  return {c * a.x - s * a.y, s * a.x + c * a.y};
}

std::optional<PointMm> meeting(PointMm a, PointMm b, PointMm c, PointMm d) {
  const auto apart = [](double p, double q, double r, double s) {
    return std::max(p, q) < std::min(r, s) || std::max(r, s) < std::min(p, q);
  };
  if (apart(a.x, b.x, c.x, d.x) || apart(a.y, b.y, c.y, d.y)) return std::nullopt;
  const double c_side = cross(b - a, c - a), d_side = cross(b - a, d - a);
  const double a_side = cross(d - c, a - c), b_side = cross(d - c, b - c);
  if ((c_side > 0 && d_side > 0) || (c_side < 0 && d_side < 0)) return std::nullopt;
  if ((a_side > 0 && b_side > 0) || (a_side < 0 && b_side < 0)) return std::nullopt;
  const double both = a_side - b_side;
  if (both == 0)
    return 0.5 * (std::max(std::min(a.x, b.x), std::min(c.x, d.x)) == a.x ? a + a : b + b);
  return a + (a_side / both) * (b - a);
}

std::optional<PointMm> find_crossing(const PolygonMm& line) {
  const std::size_t n = line.size();
  struct Edge {
    double left, right;
    PointMm a, b;
    std::size_t index;
  };
  std::vector<Edge> edges;
  edges.reserve(n);
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm a = line[i], b = line[(i + 1) % n], c = line[(i + 2) % n];
    if (cross(b - a, c - b) == 0 && dot(b - a, c - b) < 0) return b;  // folds back onto itself
    edges.push_back({std::min(a.x, b.x), std::max(a.x, b.x), a, b, i});
  }
  std::sort(edges.begin(), edges.end(),
            [](const Edge& e, const Edge& f) { return e.left < f.left; });
  for (std::size_t s = 0; s < n; ++s) {
    const Edge& e = edges[s];
    for (std::size_t t = s + 1; t < n && edges[t].left <= e.right; ++t) {
      const Edge& f = edges[t];
      if ((e.index + 1) % n == f.index || (f.index + 1) % n == e.index) continue;
      if (const auto at = meeting(e.a, e.b, f.a, f.b)) return at;
    }
  }
  return std::nullopt;
}

int arc_steps(double radius_mm, double sweep_rad, double tolerance_mm) {
  constexpr double kMostSteps = 4000;
  const double radius = std::abs(radius_mm), sweep = std::abs(sweep_rad);
  if (!(radius > tolerance_mm)) return sweep > std::numbers::pi / 2 ? 3 : 1;
  const double step = 2 * std::acos(1 - tolerance_mm / radius);
  return static_cast<int>(std::clamp(std::ceil(sweep / step), 1.0, kMostSteps));
}

std::string place_text(PointMm p) {
  return "x " + to_text(p.x, 1) + ", y " + to_text(p.y, 1) + " mm";
}

}  // namespace panecard::pattern
