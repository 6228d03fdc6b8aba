// Detects the ArUco markers of our boards: black quadrilaterals in a reduced photo, bits decoded
// from the full photo. The corners are rough; card/coded.h refines them.
#pragma once

#include <array>
#include <opencv2/core.hpp>
#include <vector>

#include "geom/geom.h"

namespace panecard::card {

struct Marker {
  int id = 0;                      ///< in DICT_5X5_1000
  bool mirrored = false;           ///< decoded back to front: seen from behind
  std::array<PointPx, 4> corners;  ///< of the photo; top-left of the marker as printed first
};

/// Markers of our boards in `grey`, searched in a copy reduced `reduction` times (INTER_AREA).
/// @param reduction  1 finds markers from about 10 px wide, 2 from 20 px, and so on upwards.
std::vector<Marker> detect_markers(const cv::Mat& grey, int reduction);

}  // namespace panecard::card
