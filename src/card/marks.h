// Finds the square markers of our boards: black quadrilaterals in a reduced photo, their bits read
// from the photo itself. Only rough corners come from here; card/coded.h refines them.
#pragma once

#include <array>
#include <opencv2/core.hpp>
#include <vector>

#include "geom/geom.h"

namespace panecard::card {

struct Mark {
  int id = 0;                      ///< in DICT_5X5_1000
  bool mirrored = false;           ///< read back to front: seen from behind
  std::array<PointPx, 4> corners;  ///< of the photo; top-left of the marker as printed first
};

/// Markers of our boards in `grey`, searched in a copy reduced `reduction` times by area.
/// @param reduction  1 finds markers from about 10 px wide, 2 from 20 px, and so on upwards.
std::vector<Mark> find_marks(const cv::Mat& grey, int reduction);

}  // namespace panecard::card
