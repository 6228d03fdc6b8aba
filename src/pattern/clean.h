// Removes the self-intersections of a raw offset curve: keeps the region of positive winding
// number.
#pragma once

#include <vector>

#include "pattern/parallel.h"

namespace panecard::pattern {

/// Outer boundaries, counter-clockwise, largest first, and the size of their holes. An edge keeps
/// the tag of the raw edge that it lies on. Coordinates are rounded to 1e-5 mm.
struct Cleaned {
  std::vector<TaggedLine> outers;
  double hole_area_mm2 = 0;  ///< of the largest
};
Cleaned positive_part(const TaggedLine& raw);

/// Removes redundant points: repeats, points on a straight line of one tag, spikes.
void tidy(TaggedLine& line);

}  // namespace panecard::pattern
