// The outer borders of the shapes in a picture of two values.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

namespace panecard::card {

/// The outer border of every 8-connected shape of non-zero pixels (inside others too, holes not):
/// the points that cv::findContours gives for it with CHAIN_APPROX_NONE (Suzuki and Abe 1985), in
/// its order, the last shape first. A noisy picture has tens of thousands of specks; what they are
/// is told by their runs alone, which makes this many times quicker.
///
/// @param min_round  shapes whose bounding box is less than this round, in pixels, are left out.
std::vector<std::vector<cv::Point>> outer_borders(const cv::Mat& shapes, int min_round);

}  // namespace panecard::card
