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

/// Points inside a straight run never carry the box, wherever the run moves.
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
std::pair<double, double> sides_like(const Box& nominal, const Box& box) {
  const double turn = std::abs(std::remainder(box.angle_rad - nominal.angle_rad, kPi));
  if (turn < kPi / 4) return {box.long_mm, box.short_mm};
  return {box.short_mm, box.long_mm};
}

void measure_box(const Spread& spread, Outline& outline) {
  const PolygonMm& p = outline.points;
  outline.box = smallest_box(p);
  const std::vector<std::size_t> carriers = bending_points(p);
  PolygonMm moved(carriers.size());
  const auto count = static_cast<Eigen::Index>(spread.modes.size());
  Eigen::VectorXd long_effects(count), short_effects(count);
  for (Eigen::Index m = 0; m < count; ++m) {
    const PolygonMm& mode = spread.modes[static_cast<std::size_t>(m)];
    std::pair<double, double> side[2];
    for (int k = 0; k < 2; ++k) {
      const double sign = k == 0 ? 1 : -1;
      for (std::size_t c = 0; c < carriers.size(); ++c) {
        moved[c] = p[carriers[c]] + sign * mode[carriers[c]];
      }
      side[k] = sides_like(outline.box, smallest_box(moved));
    }
    long_effects[m] = (side[0].first - side[1].first) / 2;
    short_effects[m] = (side[0].second - side[1].second) / 2;
  }
  outline.long_mm = dimension(outline.box.long_mm, long_effects, spread.shares);
  outline.short_mm = dimension(outline.box.short_mm, short_effects, spread.shares);
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

void measure_shape(const Spread& spread, Outline& outline) {
  const PolygonMm& p = outline.points;
  const std::size_t n = p.size();
  PolygonMm area_gradient(n), perimeter_gradient(n);
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm before = p[(i + n - 1) % n], after = p[(i + 1) % n];
    area_gradient[i] = {(after.y - before.y) / 2, (before.x - after.x) / 2};
    perimeter_gradient[i] = unit(p[i] - before) + unit(p[i] - after);
  }
  outline.area_mm2 =
      dimension(signed_area_mm2(p), linear_effects(spread.modes, area_gradient), spread.shares);
  outline.perimeter_mm =
      dimension(perimeter_mm(p), linear_effects(spread.modes, perimeter_gradient), spread.shares);

  const PolygonMm normals = outward_normals(p);
  outline.u95_mm.assign(n, 0.0);
  for (const PolygonMm& mode : spread.modes) {
    for (std::size_t i = 0; i < n; ++i) {
      const double shift = dot(mode[i], normals[i]);
      outline.u95_mm[i] += shift * shift;
    }
  }
  for (double& u : outline.u95_mm) u = expanded(u);
  measure_box(spread, outline);
}

Dimension longest_between(const Outline& outline, const Spread& spread,
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
  Eigen::VectorXd effects(static_cast<Eigen::Index>(spread.modes.size()));
  for (std::size_t m = 0; m < spread.modes.size(); ++m) {
    const PolygonMm& mode = spread.modes[m];
    effects[static_cast<Eigen::Index>(m)] = dot(along, mode[best_a] - mode[best_b]);
  }
  return dimension(longest, effects, spread.shares);
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
  double spread = 0;
  for (const PointMm p : contour.points) spread = std::max(spread, distance(p, centre_));
  scale_ = spread > 0 ? 1 / spread : 1;
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
