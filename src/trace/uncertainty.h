// From a boundary to a contour that carries every source of its uncertainty.
#pragma once

#include <vector>

#include "card/card.h"
#include "geom/geom.h"
#include "trace/join.h"

namespace panecard::trace {

/// Normal to the boundary, what the noise of the cards' corners makes uncertain: the part of the
/// plane's uncertainty that differs from photo to photo. Per point.
std::vector<double> plane_sigma_mm(const card::Plane& plane, const Sketch& sketch,
                                   const std::vector<PointPx>& px);

/// @param px      per photo, where it shows the points
/// @param planes  per photo, fitted together
Contour with_uncertainty(const Joined& joined, const std::vector<const card::Plane*>& planes,
                         const std::vector<std::vector<PointPx>>& px,
                         double sigma_glass_thickness_mm);

/// A source of error that moves no point further changes no figure that is stated.
inline constexpr double kNegligible_mm = 5e-4;
/// Of a point by itself; what is more is alike all along a bridge.
inline constexpr double kMostEdgeNoise_mm = 0.1;

/// What a bridge may be off by, per point; alike along the whole bridge.
/// @param source  bridge, or pointing where a person drew it: that one an outline has to follow
void add_bridge_modes(const std::vector<double>& sigma_mm, ErrorSource source, Contour& contour);

}  // namespace panecard::trace
