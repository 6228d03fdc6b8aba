// Resolves a request on one pane: a distance (mm) for every side, a radius and a relief for every
// corner.
#pragma once

#include <vector>

#include "pattern/pattern.h"

namespace panecard::pattern {

struct SideDistance {
  double mm = 0;  ///< outwards; includes u95_added_mm
  double u95_added_mm = 0;
};

/// @retval bad_usage  unknown sides, amounts out of range
Result<std::vector<SideDistance>> distances(const Pane& pane, const Request& request);

/// Per corner of the pane, mm; 0 where nothing is asked. A corner's own name takes precedence over
/// its position ("top left"), and that over "every".
Result<std::vector<double>> per_corner(const Division& division, const std::vector<CornerCut>& cuts,
                                       const std::string& what);

/// One finding: how much U95 was added to which side.
std::vector<Finding> u95_findings(const Pane& pane, const std::vector<SideDistance>& distances,
                                  bool asked);

/// Findings for sides and corners that a request names by position and that this pane lacks.
std::vector<Finding> absent_findings(const Division& division, const Request& request);

}  // namespace panecard::pattern
