// A first closed curve around the cards: where the car's body ends and the pane's seal begins.
#pragma once

#include <vector>

#include "base/base.h"
#include "card/card.h"
#include "geom/geom.h"
#include "trace/strip.h"

namespace panecard::trace {

/// Closed paths of least cost in log-polar coordinates about the cards: one along edges alone, the
/// others along edges that have the body's colour on their outer side, with a clear edge further
/// out speaking against them by so much. Each is right where another is misled (trim beside the
/// seal, sky of the body's colour behind the glass), to a few millimetres; often they are the same.
///
/// @param near  rough points on the wanted boundary (mm), may be empty
/// @return      one or more; each counter-clockwise, one point per ray.
/// @retval Code::boundary_not_seen  no closed path inside the photo
Result<std::vector<PolygonMm>> find_rings(const Pyramid& photo, const Sight& sight,
                                          const std::vector<PolygonMm>& cards,
                                          const PolygonMm& near);

}  // namespace panecard::trace
