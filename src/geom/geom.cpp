#include "geom/geom.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>

namespace panecard {
namespace {

double turn(PointMm a, PointMm b, PointMm c) { return cross(b - a, c - a); }

bool on_segment(PointMm a, PointMm b, PointMm p) {
  return std::min(a.x, b.x) <= p.x && p.x <= std::max(a.x, b.x) && std::min(a.y, b.y) <= p.y &&
         p.y <= std::max(a.y, b.y);
}

bool segments_meet(PointMm a, PointMm b, PointMm c, PointMm d) {
  const double abc = turn(a, b, c), abd = turn(a, b, d), cda = turn(c, d, a), cdb = turn(c, d, b);
  if (((abc > 0 && abd < 0) || (abc < 0 && abd > 0)) &&
      ((cda > 0 && cdb < 0) || (cda < 0 && cdb > 0))) {
    return true;
  }
  return (abc == 0 && on_segment(a, b, c)) || (abd == 0 && on_segment(a, b, d)) ||
         (cda == 0 && on_segment(c, d, a)) || (cdb == 0 && on_segment(c, d, b));
}

PolygonMm without_repeats(const PolygonMm& polygon) {
  PolygonMm kept;
  kept.reserve(polygon.size());
  for (const PointMm p : polygon) {
    if (kept.empty() || p.x != kept.back().x || p.y != kept.back().y) kept.push_back(p);
  }
  while (kept.size() > 1 && kept.front().x == kept.back().x && kept.front().y == kept.back().y) {
    kept.pop_back();
  }
  return kept;
}

/// Arc length at every vertex, and the perimeter behind them.
std::vector<double> arc_lengths(const PolygonMm& polygon) {
  std::vector<double> at(polygon.size() + 1, 0.0);
  for (std::size_t i = 0; i < polygon.size(); ++i) {
    at[i + 1] = at[i] + distance(polygon[i], polygon[(i + 1) % polygon.size()]);
  }
  return at;
}

}  // namespace

double norm(PointMm a) { return std::sqrt(a.x * a.x + a.y * a.y); }

void widen(Extent& extent, PointMm p) {
  extent.low = {std::min(extent.low.x, p.x), std::min(extent.low.y, p.y)};
  extent.high = {std::max(extent.high.x, p.x), std::max(extent.high.y, p.y)};
}

Extent extent_of(const PolygonMm& points) {
  Extent out{points.front(), points.front()};
  for (const PointMm p : points) widen(out, p);
  return out;
}

double distance_to_segment(PointMm p, PointMm a, PointMm b) {
  const PointMm along = b - a;
  const double squared = dot(along, along);
  const double t = squared > 0 ? std::clamp(dot(p - a, along) / squared, 0.0, 1.0) : 0;
  return distance(p, a + t * along);
}

double signed_area_mm2(const PolygonMm& polygon) {
  if (polygon.size() < 3) return 0;
  double twice = 0;  // about the first vertex: far from the origin the plain sum loses its digits
  for (std::size_t i = 2; i < polygon.size(); ++i) {
    twice += cross(polygon[i - 1] - polygon[0], polygon[i] - polygon[0]);
  }
  return twice / 2;
}

double perimeter_mm(const PolygonMm& polygon) {
  return polygon.size() < 2 ? 0 : arc_lengths(polygon).back();
}

bool contains(const PolygonMm& polygon, PointMm p) {
  bool inside = false;
  for (std::size_t i = 0, j = polygon.size() - 1; i < polygon.size(); j = i++) {
    const PointMm a = polygon[i], b = polygon[j];
    if ((a.y > p.y) == (b.y > p.y)) continue;
    if (p.x < a.x + (b.x - a.x) * (p.y - a.y) / (b.y - a.y)) inside = !inside;
  }
  return inside;
}

bool self_intersects(const PolygonMm& polygon) {
  const PolygonMm p = without_repeats(polygon);
  const std::size_t n = p.size();
  if (n < 3) return n == 2;
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm a = p[i], b = p[(i + 1) % n], c = p[(i + 2) % n];
    if (turn(a, b, c) == 0 && dot(b - a, c - b) < 0) return true;  // folds back onto itself
  }
  const auto min_x = [&](std::size_t i) { return std::min(p[i].x, p[(i + 1) % n].x); };
  const auto max_x = [&](std::size_t i) { return std::max(p[i].x, p[(i + 1) % n].x); };
  std::vector<std::size_t> order(n);
  for (std::size_t i = 0; i < n; ++i) order[i] = i;
  std::sort(order.begin(), order.end(),
            [&](std::size_t i, std::size_t j) { return min_x(i) < min_x(j); });
  for (std::size_t s = 0; s < n; ++s) {
    const std::size_t i = order[s];
    const double reach = max_x(i);
    for (std::size_t t = s + 1; t < n && min_x(order[t]) <= reach; ++t) {
      const std::size_t j = order[t];
      if ((i + 1) % n == j || (j + 1) % n == i) continue;
      if (segments_meet(p[i], p[(i + 1) % n], p[j], p[(j + 1) % n])) return true;
    }
  }
  return false;
}

PolygonMm convex_hull(PolygonMm points) {
  std::sort(points.begin(), points.end(),
            [](PointMm a, PointMm b) { return a.x < b.x || (a.x == b.x && a.y < b.y); });
  points = without_repeats(points);
  if (points.size() < 3) return points;
  // Andrew's monotone chain (1979): the lower side left to right, then the upper one back.
  PolygonMm hull;
  hull.reserve(2 * points.size());
  const auto add = [&hull](PointMm p, std::size_t base) {
    while (hull.size() >= base + 2 && turn(hull[hull.size() - 2], hull.back(), p) <= 0) {
      hull.pop_back();
    }
    hull.push_back(p);
  };
  for (const PointMm p : points) add(p, 0);
  const std::size_t base = hull.size() - 1;
  for (std::size_t i = points.size() - 1; i-- > 0;) add(points[i], base);
  hull.pop_back();
  return hull;
}

PolygonMm resample(const PolygonMm& polygon, double step_mm) {
  constexpr double kMostPoints = 1e7;
  const std::vector<double> at = arc_lengths(polygon);
  const double total = at.back();
  if (polygon.size() < 2 || !(total > 0) || !(step_mm > 0)) return polygon;
  const auto count =
      static_cast<std::size_t>(std::clamp(std::round(total / step_mm), 3.0, kMostPoints));
  PolygonMm result;
  result.reserve(count);
  std::size_t edge = 0;
  for (std::size_t k = 0; k < count; ++k) {
    const double s = total * static_cast<double>(k) / static_cast<double>(count);
    while (edge + 1 < polygon.size() && at[edge + 1] <= s) ++edge;
    const double length = at[edge + 1] - at[edge];
    const double t = length > 0 ? (s - at[edge]) / length : 0;
    const PointMm a = polygon[edge], b = polygon[(edge + 1) % polygon.size()];
    result.push_back(a + t * (b - a));
  }
  return result;
}

OrientedBox min_area_box(const PolygonMm& polygon) {
  const PolygonMm hull = convex_hull(polygon);
  const std::size_t n = hull.size();
  if (n == 0) return {};
  if (n == 1) return {hull[0], 0, 0, 0};
  // Rotating callipers (Toussaint 1983): the supports along the edge, away from it and behind it.
  std::size_t ahead = 1, away = 1, behind = 1;
  OrientedBox best;
  double best_area = std::numeric_limits<double>::infinity();
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm a = hull[i], edge = hull[(i + 1) % n] - a;
    const PointMm u = (1 / norm(edge)) * edge, v{-u.y, u.x};
    const auto walk = [&](std::size_t& k, PointMm direction) {
      for (std::size_t steps = 0; steps < n; ++steps) {
        if (dot(direction, hull[(k + 1) % n] - hull[k]) < 0) break;
        k = (k + 1) % n;
      }
    };
    if (i == 0) ahead = 1;
    walk(ahead, u);
    if (i == 0) away = ahead;
    walk(away, v);
    if (i == 0) behind = away;
    walk(behind, PointMm{-u.x, -u.y});
    const double low = dot(u, hull[behind] - a), high = dot(u, hull[ahead] - a);
    const double depth = dot(v, hull[away] - a);
    if ((high - low) * depth >= best_area) continue;
    best_area = (high - low) * depth;
    const bool edge_is_long = high - low >= depth;
    best.centre = a + ((low + high) / 2) * u + (depth / 2) * v;
    best.angle_rad = edge_is_long ? std::atan2(u.y, u.x) : std::atan2(v.y, v.x);
    best.long_mm = std::max(high - low, depth);
    best.short_mm = std::min(high - low, depth);
  }
  return best;
}

PolygonMm outward_normals(const PolygonMm& polygon) {
  const std::size_t n = polygon.size();
  PolygonMm normals(n);
  for (std::size_t i = 0; i < n; ++i) {
    PointMm along{};
    for (std::size_t reach = 1; reach <= n / 2; ++reach) {  // further out where points coincide
      along = polygon[(i + reach) % n] - polygon[(i + n - reach) % n];
      if (norm(along) > 0) break;
    }
    const double length = norm(along);
    if (length > 0) normals[i] = {along.y / length, -along.x / length};
  }
  return normals;
}

std::vector<NoiseMode> noise_modes(const Contour& contour, std::size_t most) {
  const std::size_t n = contour.points.size();
  if (n < 3 || contour.sigma_mm.size() != n) return {};
  const std::vector<double> at = arc_lengths(contour.points);
  const double total = at.back();
  if (!(total > 0) || most < 2) return {};
  const double wanted =
      contour.correlation_length_mm > 0 ? std::floor(total / contour.correlation_length_mm) : total;
  const auto count = static_cast<std::size_t>(
      std::clamp(wanted, 8.0, static_cast<double>(std::max<std::size_t>(8, most))));
  const double spacing = total / static_cast<double>(count);

  // Neighbouring half cosines add up in squares to one (cos^2 + sin^2), so the variance at every
  // point is exactly sigma^2. A point belongs to the bump before it and the bump after it.
  std::vector<NoiseMode> bumps(count);
  std::vector<std::vector<std::pair<std::size_t, double>>> rising(count), falling(count);
  for (std::size_t i = 0; i < n; ++i) {
    const double place = at[i] / spacing;
    const auto before = std::min(static_cast<std::size_t>(place), count - 1);
    const double phase = (place - static_cast<double>(before)) * std::numbers::pi / 2;
    falling[before].emplace_back(i, contour.sigma_mm[i] * std::cos(phase));
    rising[(before + 1) % count].emplace_back(i, contour.sigma_mm[i] * std::sin(phase));
  }
  for (std::size_t k = 0; k < count; ++k) {
    for (const auto* half : {&rising[k], &falling[k]}) {
      if (half->empty()) continue;
      if (bumps[k].along_normal_mm.empty()) bumps[k].first = half->front().first;
      for (const auto& entry : *half) bumps[k].along_normal_mm.push_back(entry.second);
    }
  }
  return bumps;
}

std::vector<PolygonMm> all_modes(const Contour& contour) {
  constexpr std::size_t kMostBumps =
      200;  // wider bumps overstate the noise of averages, never understate
  std::vector<PolygonMm> modes = contour.modes;
  const std::size_t n = contour.points.size();
  const PolygonMm normals = outward_normals(contour.points);
  for (const NoiseMode& bump : noise_modes(contour, kMostBumps)) {
    PolygonMm mode(n);
    for (std::size_t k = 0; k < bump.along_normal_mm.size(); ++k) {
      const std::size_t i = (bump.first + k) % n;
      mode[i] = mode[i] + bump.along_normal_mm[k] * normals[i];
    }
    modes.push_back(std::move(mode));
  }
  return modes;
}

std::string_view text(ErrorSource source) {
  switch (source) {
    case ErrorSource::corner_noise:
      return "corner noise";
    case ErrorSource::lens:
      return "lens";
    case ErrorSource::print_scale:
      return "print scale";
    case ErrorSource::card_size:
      return "card size";
    case ErrorSource::card_thickness:
      return "card thickness";
    case ErrorSource::edge_creep:
      return "edge creep";
    case ErrorSource::bow:
      return "bow";
    case ErrorSource::glass_thickness:
      return "glass thickness";
    case ErrorSource::edge_definition:
      return "definition of the edge";
    case ErrorSource::edge_choice:
      return "choice of edge";
    case ErrorSource::edge_noise:
      return "edge noise";
    case ErrorSource::seal_in_shadow:
      return "seal in shadow";
    case ErrorSource::bridge:
      return "bridge";
    case ErrorSource::pointing:
      return "pointing";
    case ErrorSource::fit:
      return "fit";
    case ErrorSource::box_choice:
      return "choice of box";
  }
  return {};
}

std::vector<double> u95_normal_mm(const Contour& contour) {
  const PolygonMm normals = outward_normals(contour.points);
  std::vector<double> u95(contour.points.size());
  for (std::size_t i = 0; i < u95.size(); ++i) {
    const double sigma = i < contour.sigma_mm.size() ? contour.sigma_mm[i] : 0;
    double variance = sigma * sigma;
    for (const PolygonMm& mode : contour.modes) {
      const double shift = dot(mode[i], normals[i]);
      variance += shift * shift;
    }
    u95[i] = 2 * std::sqrt(variance);
  }
  return u95;
}

}  // namespace panecard
