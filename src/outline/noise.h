// The noise model of a contour, and the weighted samples that the fit sees.
#pragma once

#include <vector>

#include "outline/chain.h"

namespace panecard::outline {

/// Arc length over which the discrepancy is correlated: a few seal widths, common practice.
inline constexpr double kDiscrepancyBump_mm = 30;

/// Errors of a contour's points besides its modes: the local edge noise, and a smooth discrepancy
/// (contact shadows, bridges, edges that are no exact arcs) that sigma_mm does not include.
struct Noise {
  double spacing_mm = 0;           ///< between points
  double observation_mm = 0;       ///< length over which the edge noise counts as one observation
  double discrepancy_mm = 0;       ///< standard uncertainty
  std::vector<double> bridge_mm2;  ///< per point: variance of the bridge modes
  std::vector<double>
      bridge_power;  ///< per point, mm3: their covariance integrated along the contour
};

/// Whether the contour can be fitted; its number of points.
/// @retval degenerate_shape
Result<std::size_t> checked(const Contour& c);

/// Length over which the edge noise counts as one observation: the integral of the correlation of
/// the bumps that model it (half cosines, 16 / pi^2 of their spacing), or the point spacing.
double observation_mm(const Contour& c, double perimeter);

/// Every n-th point, so that four are left per observation.
Contour thinned(const Contour& c);

/// @param c  thinned
Noise noise_of(const Contour& c);

/// The contour's points, each with its weight: the point spacing over the noise power at low
/// frequencies, that is variance times correlation length, summed over all kinds of noise.
Samples samples_of(const Contour& c, const Noise& noise);

}  // namespace panecard::outline
