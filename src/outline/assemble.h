// Builds the outline that is handed out: points, pieces, names and dimensions.
#pragma once

#include "outline/sources.h"

namespace panecard::outline {

/// Rotates the chain so that edge 1 is the edge that starts nearest the lower left.
void start_lower_left(Chain& chain);

/// The outline of a fitted chain, with all dimensions.
Outline outline_of(const Contour& c, const Chain& chain, const CompressedModes& compressed);

/// The outline of a contour that no chain describes: one free curve through local means of its
/// points. Catmull-Rom tangents, hence G1.
/// @param perimeter    mm
/// @param observation  mm, as of observation_mm()
Outline free_outline(const Contour& c, double perimeter, double observation);

}  // namespace panecard::outline
