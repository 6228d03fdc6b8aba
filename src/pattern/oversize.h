// The oversize rectangle to cut when the piece is trimmed on the glass.
#pragma once

#include <vector>

#include "pattern/pattern.h"

namespace panecard::pattern {

struct OversizeRectangle {
  PolygonMm outline;  ///< from the lower left corner
  Division division;
  double u95_added_mm = 0;
};

/// Aligned with the pane's best-fit rectangle, or with its smallest enclosing box when it has no
/// four sides.
/// @retval bad_usage  amounts out of range
Result<OversizeRectangle> oversize_rectangle(const Pane& pane, const Oversize& oversize);

std::vector<Finding> oversize_findings(const Pane& pane, const Oversize& oversize,
                                       const OversizeRectangle& around, const PolygonMm& cut);

}  // namespace panecard::pattern
