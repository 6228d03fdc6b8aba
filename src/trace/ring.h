// A first closed curve around the cards: where the car's body ends and the pane's seal begins.
#pragma once

#include <vector>

#include "base/base.h"
#include "card/card.h"
#include "geom/geom.h"
#include "trace/strip.h"

namespace panecard::trace {

/// The closed path of least cost in log-polar coordinates about the cards, along edges that have
/// the body's colour on their outer side; right to a few millimetres where the body can be told
/// apart.
///
/// @param near  rough points on the wanted boundary (mm), may be empty
/// @param beyond  how much a clear edge just outside the path speaks against it: 0 where trim runs
///                close beside the seal, 0.25 where what is behind the glass looks like the body
/// @return      counter-clockwise, one point per ray.
/// @retval Code::boundary_not_seen  no closed path inside the photo
Result<PolygonMm> find_ring(const Pyramid& photo, const Sight& sight,
                            const std::vector<PolygonMm>& cards, const PolygonMm& near,
                            float beyond);

}  // namespace panecard::trace
