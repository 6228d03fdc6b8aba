// Where a ribbon is not believed, and which other ways lead past there.
#pragma once

#include <vector>

#include "geom/geom.h"
#include "trace/polar.h"
#include "trace/splice.h"

namespace panecard::trace {

/// Where the evidence says that there is no seal, as where a path crosses bare body or plain glass
/// from a wrong edge back to the right one; where the curve folds back, where it lies well inside
/// its convex hull, and where it makes a ledge.
std::vector<Rays> spoken_against(PointMm middle, const Ribbon& ribbon);

/// What lies between two places that are spoken against may be wrong; of a single one either side,
/// and of more than six anything: then six parts of 150 degrees that overlap.
std::vector<Rays> parts_in_doubt(const std::vector<Rays>& places);

/// The ribbon's inner curve with such a place, or two that follow each other and what lies between,
/// left out: what comes before and after goes straight on and meets, in a round corner where it
/// turns. And the curve with each of its ledges levelled.
std::vector<PolygonMm> straight_on(PointMm middle, const Around& around,
                                   const std::vector<Rays>& places);

}  // namespace panecard::trace
