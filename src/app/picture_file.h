// Pictures into files, through the codecs that photos are read with: cv::imencode would load a
// hundred libraries of other formats at every start, which takes as long as decoding a photo.
#pragma once

#include <opencv2/core.hpp>
#include <string>

namespace panecard::app {

/// An 8-bit picture, blue, green, red, as the bytes of a file; empty when it cannot be one.
/// @param quality  1 to 100
std::string to_jpeg(const cv::Mat& bgr, int quality);
std::string to_png(const cv::Mat& bgr);

}  // namespace panecard::app
