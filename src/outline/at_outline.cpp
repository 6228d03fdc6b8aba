#include <algorithm>
#include <cmath>
#include <numbers>

#include "outline/outline.h"

namespace panecard::outline {
namespace {

/// The nearest point on a polygon: t of the way from vertex `before` to the next.
struct FootOn {
  std::size_t before = 0;
  double t = 0, away_mm = 0;
};

/// Nearest points on a closed polygon, for queries in the order of a curve close to it.
class Feet {
 public:
  explicit Feet(const PolygonMm& polygon) : polygon_(polygon) {
    for (std::size_t i = 0; i < polygon.size(); ++i) {
      longest_mm_ = std::max(longest_mm_, distance(polygon[i], polygon[(i + 1) % polygon.size()]));
    }
  }

  FootOn operator()(PointMm p) {
    const std::size_t n = polygon_.size();
    if (n == 0) return {};
    // Over k edges the distance changes by at most k times the longest edge, so most vertices can
    // be skipped. The search starts at the last query's nearest vertex.
    double least_mm = distance(polygon_[nearest_], p);
    const std::size_t start = nearest_;
    for (std::size_t k = 1; k < n;) {
      const std::size_t i = (start + k) % n;
      const double away_mm = distance(polygon_[i], p);
      if (away_mm < least_mm) least_mm = away_mm, nearest_ = i;
      k += std::max<std::size_t>(1, static_cast<std::size_t>((away_mm - least_mm) / longest_mm_));
    }
    FootOn best{nearest_, 0, least_mm};
    for (const std::size_t i : {(nearest_ + n - 1) % n, nearest_}) {
      const PointMm a = polygon_[i], along = polygon_[(i + 1) % n] - a;
      const double t = std::clamp(dot(p - a, along) / std::max(dot(along, along), 1e-12), 0.0, 1.0);
      const double away_mm = distance(p, a + t * along);
      if (away_mm < best.away_mm) best = {i, t, away_mm};
    }
    return best;
  }

 private:
  const PolygonMm& polygon_;
  double longest_mm_ = 1e-12;
  std::size_t nearest_ = 0;
};

template <typename Value>
Value between(const std::vector<Value>& values, const FootOn& foot) {
  return (1 - foot.t) * values[foot.before] + foot.t * values[(foot.before + 1) % values.size()];
}

/// The residuals of the pieces: their standard deviation relative to the stated noise, and their
/// correlation length from the variance of batch means.
struct ResidualNoise {
  double times_sigma = 1, correlation_length_mm = 0;
};

ResidualNoise residual_noise(const Contour& c, const Outline& outline) {
  constexpr double kStretch_mm = 40;  // a tenth of a side: its line takes little of it away
  constexpr double kBumpLength = 16 / (std::numbers::pi * std::numbers::pi);
  const std::size_t n = c.points.size();
  const double spacing = perimeter_mm(c.points) / static_cast<double>(n);
  const auto stretch = static_cast<std::size_t>(std::max(1.0, std::round(kStretch_mm / spacing)));
  const PolygonMm normals = outward_normals(c.points);
  double squares = 0, stated = 0, mean = 0, mean_squares = 0;
  std::size_t stretches = 0;
  Feet foot_on(outline.points);
  for (std::size_t i = 0; i < n; ++i) {
    const FootOn foot = foot_on(c.points[i]);
    const double off = dot(c.points[i] - between(outline.points, foot), normals[i]);
    squares += off * off;
    stated += c.sigma_mm[i] * c.sigma_mm[i];
    mean += off / static_cast<double>(stretch);
    if ((i + 1) % stretch != 0) continue;
    mean_squares += mean * mean;
    mean = 0;
    ++stretches;
  }
  ResidualNoise rest;
  if (stretches == 0 || !(stated > 0)) return rest;
  rest.times_sigma = std::sqrt(std::max(1.0, squares / stated));
  const double variance = std::max(squares, stated) / static_cast<double>(n);
  const double power = mean_squares / static_cast<double>(stretches) * kStretch_mm;
  rest.correlation_length_mm =
      std::clamp(power / (kBumpLength * variance), c.correlation_length_mm, kStretch_mm);
  return rest;
}

}  // namespace

Contour at_outline_points(const Contour& contour, const Outline& outline) {
  Contour out;
  out.points = outline.points;
  out.points_px = outline.points_px;
  out.seen = outline.seen;
  out.mode_sources = contour.mode_sources;
  out.modes.resize(contour.modes.size());
  const ResidualNoise rest = residual_noise(contour, outline);
  out.correlation_length_mm = std::max(contour.correlation_length_mm, rest.correlation_length_mm);
  Feet foot_on(contour.points);
  for (const PointMm p : outline.points) {
    const FootOn foot = foot_on(p);
    out.sigma_mm.push_back(rest.times_sigma * between(contour.sigma_mm, foot));
    for (std::size_t m = 0; m < contour.modes.size(); ++m) {
      out.modes[m].push_back(between(contour.modes[m], foot));
    }
  }
  return out;
}

}  // namespace panecard::outline
