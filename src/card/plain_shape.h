// Shape test: are four image corners the projection of a rectangle of known size?
#pragma once

#include <Eigen/Core>
#include <array>

#include "card/card.h"

namespace panecard::card {

struct ShapeFit {
  /// Of corners, lens prior and size tolerance; two degrees of freedom (eight coordinates less six
  /// of the pose).
  double chi2 = 1e9;
  double tilt_deg = 90;    ///< between the card's normal and the line of sight
  double distance_mm = 0;  ///< camera to the card's centre
  Eigen::Vector3d normal = {0, 0, 1};
  std::array<PointMm, 4> corner_mm;  ///< corner of the body for each given corner
  bool along_width = true;           ///< the first side given is a `width_mm` side
};

/// Least squares of pose, lens and size within their priors, and one outward shift common to all
/// edges (blooming). `corner` is clockwise as seen; sigma_px is of each corner's coordinates.
/// `rough` stops early and starts from one of the two minima of the pose only.
ShapeFit fit_rectangle(const std::array<PointPx, 4>& corner, double sigma_px, double sigma_bloom_px,
                       const PlainSize& size, const photo::Lens& lens, bool rough = false);

/// Where a point of the body appears, by the homography from its four corners.
PointPx px_on_body(const std::array<PointMm, 4>& corner_mm, const std::array<PointPx, 4>& corner,
                   PointMm p);

}  // namespace panecard::card
