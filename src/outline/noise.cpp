#include "outline/noise.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace panecard::outline {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kLeastSigma_mm = 0.005;  // a tenth of the chord error that the outline may have
constexpr std::size_t kMostPoints = 20000;
constexpr double kDiscrepancyObservation_mm = 16 / (kPi * kPi) * kDiscrepancyBump_mm;

double local_variance(double sigma_mm) { return std::pow(std::max(sigma_mm, kLeastSigma_mm), 2); }

/// Standard uncertainty beyond sigma_mm that third differences over independent distances show; 0
/// when there is none. Third differences vanish on lines and are negligible on arcs; the median is
/// robust to corners.
double unmodelled_sigma_mm(const Contour& c, const Noise& noise) {
  const std::size_t n = c.points.size();
  const double apart_mm = std::max(2 * noise.observation_mm, kDiscrepancyBump_mm / 2);
  const auto lag = static_cast<std::size_t>(std::ceil(apart_mm / noise.spacing_mm));
  if (8 * lag > n) return 0;
  std::vector<double> ratio(n), sigma(c.sigma_mm);
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm a = c.points[i], b = c.points[(i + lag) % n], d = c.points[(i + 2 * lag) % n],
                  e = c.points[(i + 3 * lag) % n];
    const PointMm third = e - a + 3.0 * (b - d), along = e - a;
    ratio[i] = std::abs(cross(along, third)) / std::max(norm(along), 1e-9) /
               std::sqrt(20.0 * local_variance(c.sigma_mm[(i + lag) % n]));
  }
  const auto middle = static_cast<std::ptrdiff_t>(n / 2);
  std::nth_element(ratio.begin(), ratio.begin() + middle, ratio.end());
  std::nth_element(sigma.begin(), sigma.begin() + middle, sigma.end());
  constexpr double kMedianOfNormal = 0.67448975;  // of |N(0, 1)|
  const double estimate = ratio[n / 2] / kMedianOfNormal;
  // The median of m independent values scatters by 1.17 / sqrt(m); only a clear excess counts.
  const double scatter = 1.17 / std::sqrt(static_cast<double>(n) / static_cast<double>(lag));
  if (estimate <= 1 + 3 * scatter) return 0;
  return std::sqrt((estimate * estimate - 1) * local_variance(sigma[n / 2]));
}

/// The error of a bridge is correlated over long distances and stays with the modes. The fit has to
/// know it as well, or it would bend pieces to follow the bridge.
void add_bridges(const Contour& c, Noise& noise) {
  const std::size_t n = c.points.size();
  noise.bridge_mm2.assign(n, 0.0);
  noise.bridge_power.assign(n, 0.0);
  const PolygonMm normals = outward_normals(c.points);
  for (std::size_t m = 0; m < std::min(c.modes.size(), c.mode_sources.size()); ++m) {
    if (c.mode_sources[m] != ErrorSource::bridge) continue;
    double area = 0;
    for (std::size_t i = 0; i < n; ++i) area += dot(c.modes[m][i], normals[i]) * noise.spacing_mm;
    for (std::size_t i = 0; i < n; ++i) {
      const double off = dot(c.modes[m][i], normals[i]);
      if (c.seen.empty() || c.seen[i]) continue;
      noise.bridge_mm2[i] += off * off;
      noise.bridge_power[i] += std::max(0.0, off * area);
    }
  }
}

}  // namespace

Result<std::size_t> checked(const Contour& c) {
  const std::size_t n = c.points.size();
  const auto wrong = [](const std::string& what) {
    return Error{Code::degenerate_shape, "the contour " + what + "; trace it again"};
  };
  if (n < 12) return wrong("has " + std::to_string(n) + " points, at least 12 are needed");
  if (n > kMostPoints) return wrong("has more than " + std::to_string(kMostPoints) + " points");
  bool whole = c.sigma_mm.size() == n && (c.points_px.empty() || c.points_px.size() == n) &&
               (c.seen.empty() || c.seen.size() == n);
  for (const PolygonMm& mode : c.modes) whole = whole && mode.size() == n;
  if (!whole) return wrong("has lists of different lengths");
  for (std::size_t i = 0; i < n; ++i) {
    const bool finite = std::abs(c.points[i].x) < 1e6 && std::abs(c.points[i].y) < 1e6;
    if (!finite || !(c.sigma_mm[i] >= 0) || !(c.sigma_mm[i] < 1e6)) {
      return wrong("has a point without a usable place or sigma");
    }
  }
  for (const PolygonMm& mode : c.modes) {
    for (const PointMm& p : mode) {
      if (!(norm(p) < 1e6)) return wrong("has a source of error without a usable size");
    }
  }
  if (!(signed_area_mm2(c.points) > 1)) return wrong("encloses no area counter-clockwise");
  if (self_intersects(c.points)) return wrong("crosses itself");
  return n;
}

double observation_mm(const Contour& c, double perimeter) {
  const double spacing = perimeter / static_cast<double>(c.points.size());
  const double bump = perimeter / std::max(8.0, std::floor(perimeter / c.correlation_length_mm));
  return c.correlation_length_mm > 0 ? std::max(spacing, 16 / (kPi * kPi) * bump) : spacing;
}

Contour thinned(const Contour& c) {
  constexpr double kPointsPerObservation = 4;
  constexpr std::size_t kLeastPoints = 200;  // a small pane's corners need them
  const double perimeter = perimeter_mm(c.points);
  const double wanted_mm = observation_mm(c, perimeter) / kPointsPerObservation;
  const std::size_t n = c.points.size();
  const auto every = std::min(
      static_cast<std::size_t>(wanted_mm * static_cast<double>(n) / perimeter), n / kLeastPoints);
  if (every < 2) return c;
  const auto pick = [&](const auto& all) {
    auto some = all;
    some.clear();
    for (std::size_t i = 0; i + every <= all.size(); i += every) some.push_back(all[i]);
    return some;
  };
  Contour thin = c;
  thin.points = pick(c.points);
  thin.points_px = pick(c.points_px);
  thin.seen = pick(c.seen);
  thin.sigma_mm = pick(c.sigma_mm);
  for (PolygonMm& mode : thin.modes) mode = pick(mode);
  return thin;
}

Noise noise_of(const Contour& c) {
  const double perimeter = perimeter_mm(c.points);
  Noise noise;
  noise.spacing_mm = perimeter / static_cast<double>(c.points.size());
  noise.observation_mm = observation_mm(c, perimeter);
  noise.discrepancy_mm = unmodelled_sigma_mm(c, noise);
  add_bridges(c, noise);
  return noise;
}

Samples samples_of(const Contour& c, const Noise& noise) {
  Samples samples;
  samples.points = c.points;
  const double smooth = noise.discrepancy_mm * noise.discrepancy_mm;
  for (std::size_t i = 0; i < c.sigma_mm.size(); ++i) {
    const double local = local_variance(c.sigma_mm[i]);
    const double power =
        local * noise.observation_mm + smooth * kDiscrepancyObservation_mm + noise.bridge_power[i];
    samples.weight.push_back(noise.spacing_mm / power);
    samples.expected_chi2 += samples.weight.back() * (local + smooth + noise.bridge_mm2[i]);
  }
  samples.cost_per_unknown = std::log(std::max(samples.expected_chi2, std::numbers::e));
  return samples;
}

}  // namespace panecard::outline
