// The rectangle to cut when the piece is trimmed on the glass.
#pragma once

#include <vector>

#include "pattern/pattern.h"

namespace panecard::pattern {

struct Around {
  PolygonMm outline;  ///< from the lower left corner
  Division division;
  double u95_added_mm = 0;
};

/// Along the axes of the pane's best rectangle; of its smallest box when it has no four sides.
/// @retval bad_usage  amounts out of range
Result<Around> rectangle_around(const Pane& pane, const Oversize& oversize);

std::vector<Finding> say_oversize(const Pane& pane, const Oversize& oversize, const Around& around,
                                  const PolygonMm& cut);

}  // namespace panecard::pattern
