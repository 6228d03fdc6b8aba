// What is done to the corners of a cut line.
#pragma once

#include <vector>

#include "pattern/parallel.h"

namespace panecard::pattern {

/// Radii of the corners of the pane by index, and of any other corner of the line.
struct Radii {
  std::vector<double> of_corner_mm;
  double elsewhere_mm = 0;
};

/// Convex and concave corners that are tighter become arcs of their radius, tangent to both sides:
/// what a disc of that radius cannot reach from inside (outside) is cut off (filled in).
/// @retval bad_usage  the disc does not get through the whole piece, with what would
Result<Tagged> rounded(const Tagged& line, const Radii& radii);

/// A straight cut across every corner whose distance is positive.
/// @retval bad_usage  a hollow corner, or a side that is too short
Result<Tagged> relieved(const Tagged& line, const std::vector<Side>& corners,
                        const std::vector<double>& mm);

}  // namespace panecard::pattern
