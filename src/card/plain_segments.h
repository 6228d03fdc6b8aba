// Line segment detector for a reduced colour image.
#pragma once

#include <Eigen/Core>
#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

namespace panecard::card {

/// Sobel gradient per pixel of the channel with the largest magnitude, so that edges between
/// colours of equal brightness are found as well.
struct GradientField {
  cv::Mat_<cv::Vec2s> vector;  ///< Sobel units
  cv::Mat_<std::uint16_t> magnitude;
  double noise = 0;  ///< Rayleigh sigma of the magnitude without edges, from the median
};

/// Frame: reduced pixels, centre of the top-left pixel at (0.5, 0.5).
struct Segment {
  Eigen::Vector2d a, b;
  double length() const { return (b - a).norm(); }
  Eigen::Vector2d direction() const { return (b - a).normalized(); }
};

GradientField colour_gradient(const cv::Mat& bgr);

/// Line segments, longest first: chains of gradient maxima (Canny 1986) within about a pixel of a
/// line. Collinear ones are joined across gaps shorter than themselves, whatever the sign of their
/// contrast, since the background may change along a card's edge. Unjoined parts are kept as well.
std::vector<Segment> find_segments(const GradientField& field, double min_length_px,
                                   std::size_t max_count);

}  // namespace panecard::card
