// What is left of a raw curve: the part where its winding number is positive.
#pragma once

#include <vector>

#include "pattern/parallel.h"

namespace panecard::pattern {

/// Outer lines, counter-clockwise, largest first, and the holes in them. An edge keeps the tag of
/// the raw edge that it lies on. Coordinates are rounded to 1e-5 mm.
struct Cleaned {
  std::vector<Tagged> outers;
  double hole_area_mm2 = 0;  ///< of the largest
};
Cleaned positive_part(const Tagged& raw);

/// Points that nothing needs: repeats, points on a straight line of one tag, spikes.
void tidy(Tagged& line);

}  // namespace panecard::pattern
