// Which of the parallel edges is which: the seal as a ribbon between the body and the glass.
#pragma once

#include <vector>

#include "geom/geom.h"
#include "trace/strip.h"

namespace panecard::trace {

struct Ribbon {
  PolygonMm curve;  ///< the strip's reference curve
  PolygonMm normals;
  std::vector<double> inner_mm;  ///< offset of the glass edge from the curve, along the normal
  std::vector<double> width_mm;  ///< of the seal, outwards from there
  std::vector<bool> outer_seen;  ///< whether the seal's outer edge is visible there
  double score = 0;              ///< mean evidence per point, in units of one clear edge = 4
};

PolygonMm inner_curve(const Ribbon& ribbon);
PolygonMm outer_curve(const Ribbon& ribbon);

/// Finds the seal near a first curve: two closed, nearly parallel paths, chosen together.
/// @param ring  counter-clockwise; near the seal's outer edge
/// @param near  rough points on the glass edge, may be empty
Ribbon find_ribbon(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
                   const PolygonMm& ring, const PolygonMm& near);

}  // namespace panecard::trace
