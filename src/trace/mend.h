// A stretch of a traced boundary replaced, with everything that is known of the rest kept.
#pragma once

#include <vector>

#include "base/base.h"
#include "card/card.h"
#include "geom/geom.h"
#include "trace/strip.h"
#include "trace/trace.h"

namespace panecard::trace {

/// The photo as a mend looks at it.
struct MendView {
  const Pyramid& photo;
  const Sight& sight;
  const std::vector<PolygonMm>& cards;
  const card::Plane& plane;
  bool snaps = true;  ///< to the edge that is seen near by; dots have none
};

/// @retval bad_usage  the path is nowhere near the boundary
Result<Contour> mended(const MendView& view, const Contour& before, const Mend& mend);

}  // namespace panecard::trace
