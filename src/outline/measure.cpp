#include "outline/measure.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>

namespace panecard::outline {
namespace {

constexpr double kPi = std::numbers::pi;

PointMm unit(PointMm a) {
  const double length = norm(a);
  return length > 0 ? (1 / length) * a : PointMm{};
}

/// How a dimension moves with each mode when its gradient at every point is given.
Eigen::VectorXd linear_effects(const std::vector<PolygonMm>& modes, const PolygonMm& gradient) {
  Eigen::VectorXd effects = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(modes.size()));
  for (std::size_t m = 0; m < modes.size(); ++m) {
    for (std::size_t i = 0; i < gradient.size(); ++i) {
      effects[static_cast<Eigen::Index>(m)] += dot(gradient[i], modes[m][i]);
    }
  }
  return effects;
}

/// The points at which the polygon turns; only they can support an enclosing rectangle.
std::vector<std::size_t> bending_points(const PolygonMm& points) {
  constexpr double kStraight_rad = 1e-7;
  std::vector<std::size_t> kept;
  const std::size_t n = points.size();
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm before = unit(points[i] - points[(i + n - 1) % n]);
    const PointMm after = unit(points[(i + 1) % n] - points[i]);
    if (std::abs(cross(before, after)) > kStraight_rad || dot(before, after) < 0) kept.push_back(i);
  }
  return kept;
}

/// The sides of a moved shape in the order of the nominal ones: near a square they could swap.
std::pair<double, double> sides_like(const OrientedBox& nominal, const OrientedBox& box) {
  const double turn = std::abs(std::remainder(box.angle_rad - nominal.angle_rad, kPi));
  if (turn < kPi / 4) return {box.long_mm, box.short_mm};
  return {box.short_mm, box.long_mm};
}

/// An enclosing rectangle of a given direction.
struct Rectangle {
  double along_mm = 0, across_mm = 0;
  double area_mm2() const { return along_mm * across_mm; }
};

Rectangle enclosing(const PolygonMm& points, PointMm along) {
  const PointMm across{-along.y, along.x};
  double low[2] = {1e300, 1e300}, high[2] = {-1e300, -1e300};
  for (const PointMm& p : points) {
    const double at[2] = {dot(along, p), dot(across, p)};
    for (int k = 0; k < 2; ++k) {
      low[k] = std::min(low[k], at[k]);
      high[k] = std::max(high[k], at[k]);
    }
  }
  return {high[0] - low[0], high[1] - low[1]};
}

/// Standard uncertainty of how much larger one enclosing rectangle is than another.
double sigma_of_difference(const PolygonMm& points, const std::vector<PolygonMm>& modes,
                           PointMm along, PointMm other) {
  double squares = 0;
  PolygonMm moved(points.size());
  for (const PolygonMm& mode : modes) {
    double difference[2];
    for (int k = 0; k < 2; ++k) {
      for (std::size_t i = 0; i < points.size(); ++i) {
        moved[i] = points[i] + (k == 0 ? 1.0 : -1.0) * mode[i];
      }
      difference[k] = enclosing(moved, other).area_mm2() - enclosing(moved, along).area_mm2();
    }
    squares += std::pow((difference[0] - difference[1]) / 2, 2);
  }
  return std::sqrt(squares);
}

struct Direction {
  double turn_rad = 0;  ///< from the smallest box's, within [0, pi / 2)
  PointMm along;
  Rectangle box;
};

/// Candidate directions: those of the hull's edges, one of which is the smallest box's, and those
/// halfway between them.
std::vector<Direction> directions(const PolygonMm& hull, double angle_rad) {
  std::vector<double> turns;
  for (std::size_t i = 0; i < hull.size(); ++i) {
    const PointMm edge = hull[(i + 1) % hull.size()] - hull[i];
    const double turn = std::fmod(std::atan2(edge.y, edge.x) - angle_rad, kPi / 2);
    turns.push_back(turn < 0 ? turn + kPi / 2 : turn);
  }
  std::sort(turns.begin(), turns.end());
  std::vector<Direction> all;
  const auto add = [&](double turn) {
    const PointMm along{std::cos(angle_rad + turn), std::sin(angle_rad + turn)};
    all.push_back({turn, along, enclosing(hull, along)});
  };
  for (std::size_t i = 0; i < turns.size(); ++i) {
    add(turns[i]);
    add((turns[i] + (i + 1 < turns.size() ? turns[i + 1] : kPi / 2)) / 2);
  }
  return all;
}

/// The other local minima of the area over direction that are separated from the smallest box, to
/// both sides, by a rise at least as high as their own excess. Others are perturbations of the
/// smallest box, which its modes cover already.
std::vector<Direction> other_boxes(const std::vector<Direction>& all, double least_mm2) {
  const std::size_t n = all.size();
  std::vector<double> up(n), down(n);
  for (std::size_t i = 0; i < n; ++i) {
    const std::size_t k = n - 1 - i;
    up[i] = std::max(i > 0 ? up[i - 1] : least_mm2, all[i].box.area_mm2());
    down[k] = std::max(i > 0 ? down[k + 1] : least_mm2, all[k].box.area_mm2());
  }
  std::vector<Direction> found;
  for (std::size_t i = 0; i < n; ++i) {
    const double area = all[i].box.area_mm2();
    if (std::min(up[i], down[i]) - area > area - least_mm2) found.push_back(all[i]);
  }
  return found;
}

/// Where another rectangle may be the smallest one instead (an acute triangle has three of equal
/// area), u95 is enlarged to reach its sides.
void allow_for_other_boxes(const PolygonMm& points, const std::vector<PolygonMm>& modes,
                           Outline& outline) {
  constexpr double kLikely = 1.645;      // less than one in twenty is what 95 % leave out anyway
  constexpr double kWorthASource = 0.3;  // of U95
  const PointMm along{std::cos(outline.box.angle_rad), std::sin(outline.box.angle_rad)};
  const double area = outline.box.long_mm * outline.box.short_mm;
  const double bound = std::hypot(outline.box.long_mm * outline.short_mm.u95,
                                  outline.box.short_mm * outline.long_mm.u95);
  double long_off = 0, short_off = 0;
  for (const Direction& other :
       other_boxes(directions(convex_hull(points), outline.box.angle_rad), area)) {
    const Rectangle& r = other.box;
    const double more = r.area_mm2() - area;
    if (more > bound) continue;
    const double by_long = std::max(r.along_mm, r.across_mm) - outline.box.long_mm;
    const double by_short = std::min(r.along_mm, r.across_mm) - outline.box.short_mm;
    const bool further =
        std::abs(by_long) > std::max(std::abs(long_off), kWorthASource * outline.long_mm.u95) ||
        std::abs(by_short) > std::max(std::abs(short_off), kWorthASource * outline.short_mm.u95);
    if (!further || more > kLikely * sigma_of_difference(points, modes, along, other.along)) {
      continue;
    }
    if (std::abs(by_long) > std::abs(long_off)) long_off = by_long;
    if (std::abs(by_short) > std::abs(short_off)) short_off = by_short;
  }
  if (long_off == 0 && short_off == 0) return;
  outline.sources.emplace_back(ErrorSource::box_choice);
  const auto widen = [&](Dimension& d, double off) {
    d.u95 = std::hypot(d.u95, off);
    d.parts.push_back(std::abs(off));
  };
  widen(outline.long_mm, long_off);
  widen(outline.short_mm, short_off);
}

void measure_box(const ShapeModes& shape_modes, Outline& outline) {
  const PolygonMm& p = outline.points;
  outline.box = min_area_box(p);
  const std::vector<std::size_t> carriers = bending_points(p);
  PolygonMm moved(carriers.size());
  const auto count = static_cast<Eigen::Index>(shape_modes.modes.size());
  Eigen::VectorXd long_effects(count), short_effects(count);
  for (Eigen::Index m = 0; m < count; ++m) {
    const PolygonMm& mode = shape_modes.modes[static_cast<std::size_t>(m)];
    std::pair<double, double> side[2];
    for (int k = 0; k < 2; ++k) {
      const double sign = k == 0 ? 1 : -1;
      for (std::size_t c = 0; c < carriers.size(); ++c) {
        moved[c] = p[carriers[c]] + sign * mode[carriers[c]];
      }
      side[k] = sides_like(outline.box, min_area_box(moved));
    }
    long_effects[m] = (side[0].first - side[1].first) / 2;
    short_effects[m] = (side[0].second - side[1].second) / 2;
  }
  outline.long_mm = dimension(outline.box.long_mm, long_effects, shape_modes.shares);
  outline.short_mm = dimension(outline.box.short_mm, short_effects, shape_modes.shares);

  PolygonMm at_outline_points;
  std::vector<PolygonMm> modes(shape_modes.modes.size());
  for (const std::size_t i : carriers) at_outline_points.push_back(p[i]);
  for (std::size_t m = 0; m < modes.size(); ++m) {
    for (const std::size_t i : carriers) modes[m].push_back(shape_modes.modes[m][i]);
  }
  allow_for_other_boxes(at_outline_points, modes, outline);
}

}  // namespace

double expanded(double variance) { return 2 * std::sqrt(std::max(0.0, variance)); }

Dimension dimension(double value, const Eigen::VectorXd& effects, const Shares& shares) {
  Dimension d{value, expanded(effects.squaredNorm())};
  for (const Eigen::MatrixXd& share : shares) {
    d.parts.push_back(expanded(effects.dot(share * effects)));
  }
  return d;
}

void measure_shape(const ShapeModes& shape_modes, Outline& outline) {
  const PolygonMm& p = outline.points;
  const std::size_t n = p.size();
  PolygonMm area_gradient(n), perimeter_gradient(n);
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm before = p[(i + n - 1) % n], after = p[(i + 1) % n];
    area_gradient[i] = {(after.y - before.y) / 2, (before.x - after.x) / 2};
    perimeter_gradient[i] = unit(p[i] - before) + unit(p[i] - after);
  }
  outline.area_mm2 = dimension(signed_area_mm2(p), linear_effects(shape_modes.modes, area_gradient),
                               shape_modes.shares);
  outline.perimeter_mm = dimension(
      perimeter_mm(p), linear_effects(shape_modes.modes, perimeter_gradient), shape_modes.shares);

  const PolygonMm normals = outward_normals(p);
  outline.u95_mm.assign(n, 0.0);
  for (const PolygonMm& mode : shape_modes.modes) {
    for (std::size_t i = 0; i < n; ++i) {
      const double shift = dot(mode[i], normals[i]);
      outline.u95_mm[i] += shift * shift;
    }
  }
  for (double& u : outline.u95_mm) u = expanded(u);
  measure_box(shape_modes, outline);
}

Dimension longest_between(const Outline& outline, const ShapeModes& shape_modes,
                          const std::vector<std::size_t>& a, const std::vector<std::size_t>& b) {
  double longest = 0;
  std::size_t best_a = 0, best_b = 0;
  for (const std::size_t i : a) {
    for (const std::size_t j : b) {
      const double d = distance(outline.points[i], outline.points[j]);
      if (d > longest) longest = d, best_a = i, best_b = j;
    }
  }
  const PointMm along = unit(outline.points[best_a] - outline.points[best_b]);
  // At a maximum the two ends may slide without effect: the shift alone counts.
  Eigen::VectorXd effects(static_cast<Eigen::Index>(shape_modes.modes.size()));
  for (std::size_t m = 0; m < shape_modes.modes.size(); ++m) {
    const PolygonMm& mode = shape_modes.modes[m];
    effects[static_cast<Eigen::Index>(m)] = dot(along, mode[best_a] - mode[best_b]);
  }
  return dimension(longest, effects, shape_modes.shares);
}

PixelMap::PixelMap(const Contour& contour) {
  const std::size_t n = contour.points.size();
  if (contour.points_px.size() != n) return;
  PointPx centre_px;
  for (std::size_t i = 0; i < n; ++i) {
    centre_ = centre_ + (1.0 / static_cast<double>(n)) * contour.points[i];
    centre_px.x += contour.points_px[i].x / static_cast<double>(n);
    centre_px.y += contour.points_px[i].y / static_cast<double>(n);
  }
  double shape_modes = 0;
  for (const PointMm p : contour.points) shape_modes = std::max(shape_modes, distance(p, centre_));
  scale_ = shape_modes > 0 ? 1 / shape_modes : 1;
  Eigen::Matrix<double, 8, 8> normal = Eigen::Matrix<double, 8, 8>::Zero();
  Eigen::Matrix<double, 8, 1> right = Eigen::Matrix<double, 8, 1>::Zero();
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm q = scale_ * (contour.points[i] - centre_);
    const double u = contour.points_px[i].x - centre_px.x, v = contour.points_px[i].y - centre_px.y;
    Eigen::Matrix<double, 8, 1> row;
    row << q.x, q.y, 1, 0, 0, 0, -u * q.x, -u * q.y;
    normal += row * row.transpose(), right += u * row;
    row << 0, 0, 0, q.x, q.y, 1, -v * q.x, -v * q.y;
    normal += row * row.transpose(), right += v * row;
  }
  const Eigen::Matrix<double, 8, 1> h = normal.ldlt().solve(right);
  if (h.allFinite()) h_ = h;
  rest_.resize(n);
  for (std::size_t i = 0; i < n; ++i) {
    const PointPx at = projected(contour.points[i]);
    rest_[i] = {contour.points_px[i].x - at.x, contour.points_px[i].y - at.y};
  }
}

PointPx PixelMap::projected(PointMm p) const {
  const PointMm q = scale_ * (p - centre_);
  const double w = 1 + h_[6] * q.x + h_[7] * q.y;
  return {(h_[0] * q.x + h_[1] * q.y + h_[2]) / w, (h_[3] * q.x + h_[4] * q.y + h_[5]) / w};
}

PointPx PixelMap::at(PointMm p, std::size_t before, double t) const {
  if (rest_.empty()) return {};
  const PointPx a = rest_[before], b = rest_[(before + 1) % rest_.size()];
  const PointPx base = projected(p);
  return {base.x + a.x + t * (b.x - a.x), base.y + a.y + t * (b.y - a.y)};
}

}  // namespace panecard::outline
