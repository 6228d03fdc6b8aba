// Sub-pixel places of what is printed on a coded card: where four squares meet, and straight edges.
//
// Method   least squares of a blurred black-and-white model on the photo's own pixels (nothing is
//          resampled), so the position's variance is that of the Cramer-Rao bound for the noise
//          that the residuals show.
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

/// Where two lines between black and white squares cross.
/// @param guess  within a few pixels
/// @param right, down  photo vectors of one square along the board's columns and rows
/// @param lower_right_black  colour of the square on the `right`, `down` side
/// @param max_arm_px  how far along the lines to look: more is better and slower
std::optional<SaddleFit> fit_saddle(const cv::Mat& grey, PointPx guess,
                                    const Eigen::Vector2d& right, const Eigen::Vector2d& down,
                                    bool lower_right_black, double max_arm_px = 20);

struct StraightFit {
  std::array<PointPx, 2> at;  ///< two points that carry all that the stretch tells of its line
  double sigma_px = 0;        ///< of each, normal to the line
};

/// A straight edge, black on the right-hand side going from `a` to `b` on the screen.
/// @param reach_px  half the width of the band that holds nothing but this edge
/// @param blur_px, bloom  as the crossings nearby have them
std::optional<StraightFit> fit_straight(const cv::Mat& grey, PointPx a, PointPx b, double reach_px,
                                        double blur_px, double bloom);

}  // namespace panecard::card
