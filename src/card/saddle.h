// Sub-pixel chessboard corners (saddle points) and straight edges of a coded card.
//
// Method   least squares of a Gaussian-blurred two-level model on the photo's own pixels (nothing
//          is resampled), so that the position's variance is the Cramer-Rao bound for the noise of
//          the residuals.
// Frames   px, pixel centres at +0.5.
#pragma once

#include <Eigen/Core>
#include <opencv2/core.hpp>
#include <optional>

#include "geom/geom.h"

namespace panecard::card {

struct SaddleFit {
  PointPx at;
  double sigma_px = 0;  ///< per coordinate
  double blur_px = 0;   ///< standard deviation of the blur
  double bloom = 0;     ///< how far bright areas bleed into dark ones, as a share of the contrast
  double contrast = 0;  ///< grey levels, white minus black
  double noise = 0;     ///< grey levels, of the residuals
};

/// A chessboard corner: where two lines between black and white squares cross. nullopt when the
/// contrast is too low, the residuals too large or the result too far from the guess.
/// @param guess  within a few pixels
/// @param right, down  photo vectors of one square along the board's columns and rows
/// @param lower_right_black  colour of the square on the `right`, `down` side
/// @param max_arm_px  length of line used to either side: more is more exact and slower
std::optional<SaddleFit> fit_saddle(const cv::Mat& grey, PointPx guess,
                                    const Eigen::Vector2d& right, const Eigen::Vector2d& down,
                                    bool lower_right_black, double max_arm_px = 20);

struct LineFit {
  std::array<PointPx, 2>
      at;               ///< two points equivalent to the whole fit: same line, same covariance
  double sigma_px = 0;  ///< of each, normal to the line
};

/// A straight edge; black on the right-hand side going from `a` to `b` on the screen.
/// @param reach_px  half the width of the band that holds nothing but this edge
/// @param blur_px, bloom  of the chessboard corners nearby
std::optional<LineFit> fit_edge(const cv::Mat& grey, PointPx a, PointPx b, double reach_px,
                                double blur_px, double bloom);

}  // namespace panecard::card
