// Cuts a polygon into convex parts.
#pragma once

#include <vector>

#include "geom/geom.h"

namespace panecard::layout {

/// Convex counter-clockwise parts of a simple counter-clockwise polygon; at most four times as many
/// as there must be (Hertel & Mehlhorn 1983).
std::vector<PolygonMm> convex_parts(const PolygonMm& polygon);

}  // namespace panecard::layout
