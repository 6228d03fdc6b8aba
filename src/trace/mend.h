// A stretch of a traced boundary replaced, with everything that is known of the rest kept.
#pragma once

#include <vector>

#include "base/base.h"
#include "card/card.h"
#include "geom/geom.h"
#include "trace/strip.h"
#include "trace/trace.h"

namespace panecard::trace {

/// A photo as a mend looks at it.
struct MendEye {
  Pyramid photo;
  Sight sight;
  std::vector<PolygonMm> cards;
};

struct MendView {
  std::vector<MendEye> eyes;           ///< the first is the photo that a person points in
  const card::Plane* plane = nullptr;  ///< of the first
  bool snaps = true;                   ///< to the edge that is seen near by; dots have none
};

/// @retval bad_usage  the path is nowhere near the boundary
Result<Contour> mended(const MendView& view, const Contour& before, const Mend& mend);

}  // namespace panecard::trace
