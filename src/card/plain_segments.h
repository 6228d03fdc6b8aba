// Straight edge segments of a reduced colour image.
#pragma once

#include <Eigen/Core>
#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

namespace panecard::card {

/// Strongest colour gradient per pixel: of the channel that changes most, so that an edge between
/// two colours of equal brightness is seen as well.
struct GradientField {
  cv::Mat_<cv::Vec2s> vector;  ///< Sobel units
  cv::Mat_<std::uint16_t> magnitude;
  double noise = 0;  ///< typical magnitude where nothing is seen (Rayleigh sigma from the median)
};

/// Frame: reduced pixels, centre of the top-left pixel at (0.5, 0.5).
struct Segment {
  Eigen::Vector2d a, b;
  double length() const { return (b - a).norm(); }
  Eigen::Vector2d direction() const { return (b - a).normalized(); }
};

GradientField colour_gradient(const cv::Mat& bgr);

/// Chains of gradient ridges that stay within about a pixel of a line, longest first; collinear
/// neighbours are joined across gaps shorter than themselves, whatever the sign of their contrast,
/// since what lies beside a card may change along its edge.
std::vector<Segment> find_segments(const GradientField& field, double min_length_px,
                                   std::size_t max_count);

}  // namespace panecard::card
