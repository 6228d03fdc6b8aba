// Finds the ceramic band printed along a pane: the inner edge of its solid part, or the inner limit
// of the dots that follow it. Private to the room.
#pragma once

#include <vector>

#include "base/base.h"
#include "card/card.h"
#include "geom/geom.h"
#include "photo/photo.h"
#include "trace/trace.h"

namespace panecard::trace {

/// A boundary on the pane's inner face, laid on the outer face's plane by straight projection
/// through the glass (so that it does not depend on where the camera stood).
struct BandCurve {
  PolygonMm points;              ///< counter-clockwise, about every millimetre
  std::vector<double> sigma_mm;  ///< per point, normal: of the edge, wider where it was bridged
  std::vector<bool> seen;
  double definition_sigma_mm = 0;  ///< how well "the edge" of a printed, blurred mark is defined
  double correlation_length_mm =
      60;                      ///< arc length over which the errors of bridged points are alike
  PolygonMm per_mm_thickness;  ///< d(point)/d(glass thickness); point - thickness * this is the
                               ///< place on the outer face where the photo shows the point
  std::vector<Finding> findings;
};

/// @param glass  the traced edge of the visible glass, closed, either direction.
/// @pre options.boundary is solid or dots.
/// @retval boundary_not_seen  no print follows the glass edge, it has no dots though they were
/// asked
///                            for, or too little of it is visible to carry the rest.
Result<BandCurve> find_band(const photo::Photo& photo, const card::Plane& plane,
                            const std::vector<card::DetectedCard>& cards, const PolygonMm& glass,
                            const Options& options);

}  // namespace panecard::trace
