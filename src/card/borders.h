// Outer contours of the connected components of a binary image.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

namespace panecard::card {

/// The outer border of every 8-connected component of non-zero pixels (components inside the holes
/// of others too; borders of holes not): the points that cv::findContours gives for it with
/// CHAIN_APPROX_NONE (Suzuki and Abe 1985), in its order, the last component first. A noisy image
/// has tens of thousands of small components; labelling runs and following only the borders of the
/// large ones is many times faster.
///
/// @param min_perimeter_px  components with a bounding box of less perimeter are left out.
std::vector<std::vector<cv::Point>> outer_borders(const cv::Mat& binary, int min_perimeter_px);

}  // namespace panecard::card
