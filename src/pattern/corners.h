// Rounds and relieves the corners of a cut line. Lengths in mm.
#pragma once

#include <vector>

#include "pattern/parallel.h"

namespace panecard::pattern {

/// Radii of the corners of the pane by index, and of any other corner of the line.
struct Radii {
  std::vector<double> of_corner_mm;
  double elsewhere_mm = 0;
};

/// Fillets: corners tighter than their radius become arcs of it, tangent to both sides. Convex ones
/// by morphological opening with a disc, concave ones by closing (Serra 1982).
/// @retval bad_usage  the radius splits the piece; the message has the largest possible one
Result<TaggedLine> rounded(const TaggedLine& line, const Radii& radii);

/// A straight cut across every corner whose distance is positive.
/// @retval bad_usage  a hollow corner, or a side that is too short
Result<TaggedLine> relieved(const TaggedLine& line, const std::vector<Side>& corners,
                            const std::vector<double>& mm);

}  // namespace panecard::pattern
