#include "trace/uncertainty.h"

#include <Eigen/Core>
#include <algorithm>
#include <cmath>

namespace panecard::trace {
namespace {

// A mode that only shifts and turns the whole outline is no error of its shape: taken out by least
// squares, so that what remains is the same wherever the first card lay.
void remove_motion(const PolygonMm& points, PolygonMm& mode) {
  PointMm middle{}, shift{};
  const double each = 1.0 / static_cast<double>(points.size());
  for (std::size_t i = 0; i < points.size(); ++i) {
    middle = middle + each * points[i];
    shift = shift + each * mode[i];
  }
  double turn = 0, inertia = 0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const PointMm arm = points[i] - middle;
    turn += cross(arm, mode[i] - shift);
    inertia += dot(arm, arm);
  }
  turn /= inertia;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const PointMm arm = points[i] - middle;
    mode[i] = mode[i] - shift - turn * PointMm{-arm.y, arm.x};
  }
}

void add_mode(Contour& contour, PolygonMm mode, const SourceName& source) {
  remove_motion(contour.points, mode);
  double most = 0;
  for (const PointMm& p : mode) most = std::max(most, norm(p));
  if (most < kNegligible_mm) return;
  contour.modes.push_back(std::move(mode));
  contour.mode_sources.push_back(source);
}

/// d(point)/d(every column of the planes' common factor), weighted over the photos, at every
/// kEvery-th point: they are smooth.
constexpr std::size_t kEvery = 8;

std::vector<Eigen::MatrixXd> plane_slopes(const std::vector<const card::Plane*>& planes,
                                          const Joined& joined,
                                          const std::vector<std::vector<PointPx>>& px) {
  std::vector<Eigen::MatrixXd> at;
  for (std::size_t i = 0; i < joined.sketch.points.size(); i += kEvery) {
    Eigen::MatrixXd sum = Eigen::MatrixXd::Zero(2, planes[0]->factor.cols());
    for (std::size_t v = 0; v < planes.size(); ++v) {
      const double w = joined.weight[v][i];
      if (w > 0) sum += w * card::mm_jacobian(*planes[v], px[v][i]) * planes[v]->factor;
    }
    at.push_back(std::move(sum));
  }
  return at;
}

// The plane's and the lens's uncertainty, moved to every point of the contour.
void add_plane_modes(const std::vector<Eigen::MatrixXd>& at,
                     const std::vector<ErrorSource>& sources, Contour& contour) {
  const std::size_t n = contour.points.size();
  for (std::size_t k = 0; k < sources.size(); ++k) {
    PolygonMm mode(n);
    for (std::size_t i = 0; i < n; ++i) {
      const std::size_t a = i / kEvery, b = (a + 1) % at.size();
      const std::size_t next = b == 0 ? n : b * kEvery;
      const double t = static_cast<double>(i - a * kEvery) / static_cast<double>(next - a * kEvery);
      const auto column = static_cast<Eigen::Index>(k);
      const Eigen::Vector2d v = (1 - t) * at[a].col(column) + t * at[b].col(column);
      mode[i] = {v.x(), v.y()};
    }
    add_mode(contour, std::move(mode), sources[k]);
  }
}

/// Independent bumps along the boundary, `sigma_mm` at every point.
void add_bumps(Contour& contour, const std::vector<double>& sigma_mm, double bump_mm,
               ErrorSource source) {
  constexpr std::size_t kMostBumps = 60;
  Contour along;
  along.points = contour.points;
  along.sigma_mm = sigma_mm;
  along.correlation_length_mm = bump_mm;
  const std::size_t n = contour.points.size();
  const PolygonMm normals = outward_normals(contour.points);
  for (const NoiseMode& bump : noise_modes(along, kMostBumps)) {
    PolygonMm mode(n);
    for (std::size_t k = 0; k < bump.along_normal_mm.size(); ++k) {
      const std::size_t i = (bump.first + k) % n;
      mode[i] = bump.along_normal_mm[k] * normals[i];
    }
    add_mode(contour, std::move(mode), source);
  }
}

// The edge is where a rounded, shaded seal meets the glass: how far the visible edge may lie from
// it follows the light. Half of its variance is alike wherever the seal faces alike, so each eighth
// of the turn has its own; half drifts along a side, as light from near by does.
void add_definition_modes(std::vector<double> sigma_mm, const PolygonMm& normals,
                          Contour& contour) {
  constexpr int kSides = 8;
  constexpr double kDrift_mm = 150;
  for (double& sigma : sigma_mm) sigma /= std::sqrt(2.0);
  const std::size_t n = contour.points.size();
  for (int side = 0; side < kSides; ++side) {
    PolygonMm mode(n);
    for (std::size_t i = 0; i < n; ++i) {
      const double facing = std::atan2(normals[i].y, normals[i].x) / (2 * M_PI) * kSides - side;
      const double away = std::abs(std::remainder(facing, kSides));
      if (away < 1) mode[i] = sigma_mm[i] * std::cos(away * M_PI / 2) * normals[i];
    }
    add_mode(contour, std::move(mode), ErrorSource::edge_definition);
  }
  add_bumps(contour, sigma_mm, kDrift_mm, ErrorSource::edge_definition);
}

// A stretch lies on the wrong one of two edges or it does not: one mode each.
void add_choice_modes(const std::vector<double>& choice_mm, const PolygonMm& normals,
                      Contour& contour) {
  const std::size_t n = choice_mm.size();
  const auto none = std::find(choice_mm.begin(), choice_mm.end(), 0.0);
  const auto start =
      none == choice_mm.end() ? 0 : static_cast<std::size_t>(none - choice_mm.begin());
  PolygonMm mode(n);
  for (std::size_t k = 1; k <= n; ++k) {
    const std::size_t i = (start + k) % n, before = (start + k - 1) % n;
    const bool ends = choice_mm[before] != 0 && choice_mm[i] * choice_mm[before] <= 0;
    if (ends) {
      add_mode(contour, std::move(mode), ErrorSource::edge_choice);
      mode.assign(n, {});
    }
    mode[i] = choice_mm[i] * normals[i];
  }
  if (none == choice_mm.end()) add_mode(contour, std::move(mode), ErrorSource::edge_choice);
}

// Edge noise is local and stays with the contour, where the outline's fit weighs it. What a bridge
// may be off by is alike along the whole bridge: it becomes shared modes, and the fit is free to
// trust the bridge's shape.
Contour to_contour(PolygonMm points, const std::vector<double>& sigma_mm, std::vector<bool> seen) {
  constexpr double kEdgeCorrelation_mm = 6;
  Contour contour;
  contour.points = std::move(points);
  contour.seen = std::move(seen);
  const std::size_t n = contour.points.size();
  std::vector<double> bridge_mm(n);
  for (std::size_t i = 0; i < n; ++i) {
    const double local = std::min(sigma_mm[i], kMostEdgeNoise_mm);
    bridge_mm[i] = std::sqrt(sigma_mm[i] * sigma_mm[i] - local * local);
  }
  if (n > 0) add_bridge_modes(bridge_mm, ErrorSource::bridge, contour);
  contour.sigma_mm.resize(n);
  for (std::size_t i = 0; i < n; ++i) {
    contour.sigma_mm[i] = std::min(sigma_mm[i], kMostEdgeNoise_mm);
  }
  contour.correlation_length_mm = kEdgeCorrelation_mm;
  return contour;
}

}  // namespace

std::vector<double> plane_sigma_mm(const card::Plane& plane, const Sketch& sketch,
                                   const std::vector<PointPx>& px) {
  std::vector<Eigen::Index> noise;
  for (std::size_t k = 0; k < plane.sources.size(); ++k) {
    if (plane.sources[k] == ErrorSource::corner_noise)
      noise.push_back(static_cast<Eigen::Index>(k));
  }
  const auto factor = plane.factor(Eigen::all, noise).eval();
  const PolygonMm normals = outward_normals(sketch.points);
  const std::size_t n = sketch.points.size();
  std::vector<double> sigma(n, 0);
  for (std::size_t i = 0; i < n; i += kEvery) {
    const Eigen::RowVector2d normal(normals[i].x, normals[i].y);
    const double s = (normal * card::mm_jacobian(plane, px[i]) * factor).norm();
    std::fill(sigma.begin() + static_cast<std::ptrdiff_t>(i),
              sigma.begin() + static_cast<std::ptrdiff_t>(std::min(n, i + kEvery)), s);
  }
  return sigma;
}

Contour with_uncertainty(const Joined& joined, const std::vector<const card::Plane*>& planes,
                         const std::vector<std::vector<PointPx>>& px,
                         double sigma_glass_thickness_mm) {
  const Sketch& sketch = joined.sketch;
  Contour contour = to_contour(sketch.points, sketch.sigma_mm, sketch.seen);
  contour.points_px = px[0];
  add_plane_modes(plane_slopes(planes, joined, px), planes[0]->sources, contour);
  add_definition_modes(sketch.definition_mm, outward_normals(contour.points), contour);
  if (!sketch.choice_mm.empty()) {
    add_choice_modes(sketch.choice_mm, outward_normals(contour.points), contour);
  }
  if (!sketch.dark_mm.empty()) {
    // One light for all of them: they lie further in together or not at all.
    const PolygonMm normals = outward_normals(contour.points);
    PolygonMm dark;
    for (std::size_t i = 0; i < normals.size(); ++i) {
      dark.push_back(-sketch.dark_mm[i] * normals[i]);
    }
    add_mode(contour, std::move(dark), ErrorSource::seal_in_shadow);
  }
  if (!sketch.per_mm_thickness.empty()) {
    PolygonMm thickness;
    for (const PointMm& p : sketch.per_mm_thickness) {
      thickness.push_back(sigma_glass_thickness_mm * p);
    }
    add_mode(contour, std::move(thickness), ErrorSource::glass_thickness);
  }
  return contour;
}

void add_bridge_modes(const std::vector<double>& sigma_mm, ErrorSource source, Contour& contour) {
  constexpr double kBridgeCorrelation_mm = 80;
  add_bumps(contour, sigma_mm, kBridgeCorrelation_mm, source);
}

}  // namespace panecard::trace
