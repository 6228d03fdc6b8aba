// What a request means on one pane: a distance for every side, and for every corner a radius and
// a relief.
#pragma once

#include <vector>

#include "pattern/pattern.h"

namespace panecard::pattern {

struct SideDistance {
  double mm = 0;  ///< with u95_added_mm
  double u95_added_mm = 0;
};

/// @retval bad_usage  unknown sides, amounts out of range
Result<std::vector<SideDistance>> distances(const Pane& pane, const Request& request);

/// Per corner of the pane, 0 where nothing is asked. A corner's own name goes before where it is,
/// and that before "every".
Result<std::vector<double>> per_corner(const Division& division, const std::vector<CornerCut>& cuts,
                                       const std::string& what);

/// One finding: how much was added to which side so that it surely covers.
std::vector<Finding> say_added(const Pane& pane, const std::vector<SideDistance>& distances,
                               bool asked);

/// Sides and corners that a request names by where they would be, and this pane has not.
std::vector<Finding> say_absent(const Division& division, const Request& request);

}  // namespace panecard::pattern
