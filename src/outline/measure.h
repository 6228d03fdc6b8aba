// Dimensions of a closed shape and their uncertainty from the modes of its points (JCGM
// 100:2008, 5.1).
#pragma once

#include <Eigen/Core>
#include <vector>

#include "geom/geom.h"
#include "outline/outline.h"

namespace panecard::outline {

/// Sum of squares of independent contributions as a 95 % expanded uncertainty, k = 2.
double expanded(double variance);

/// The share of each source in the modes: one symmetric matrix per source, modes x modes; they add
/// up to the unit matrix. A mode may belong to several sources.
using Shares = std::vector<Eigen::MatrixXd>;

/// A dimension that moves by `effects` with the modes, one standard uncertainty each.
Dimension dimension(double value, const Eigen::VectorXd& effects, const Shares& shares);

/// The covariance of a shape's points as modes, and the sources of each mode.
struct ShapeModes {
  std::vector<PolygonMm> modes;  ///< how every point moves, one standard uncertainty each
  Shares shares;
};

/// Fills box, sides, area, perimeter and u95_mm of `outline`, whose points are set. The box moves
/// by (D(+) - D(-)) / 2 with each mode, JCGM 100:2008, 5.1.3 note 2.
void measure_shape(const ShapeModes& shape_modes, Outline& outline);

/// The longest distance between a point of `a` and a point of `b` (indices of outline.points).
Dimension longest_between(const Outline& outline, const ShapeModes& shape_modes,
                          const std::vector<std::size_t>& a, const std::vector<std::size_t>& b);

/// Maps points on or near the contour to pixels: a homography fitted to all pairs, plus its
/// residuals (lens distortion) interpolated along the contour.
class PixelMap {
 public:
  explicit PixelMap(const Contour& contour);
  /// @param before  the contour point just before the foot of `p`; @param t  0..1 to the next.
  PointPx at(PointMm p, std::size_t before, double t) const;

 private:
  PointPx projected(PointMm p) const;
  std::vector<PointPx> rest_;
  PointMm centre_;
  double scale_ = 1;
  Eigen::Matrix<double, 8, 1> h_ = Eigen::Matrix<double, 8, 1>::Zero();
};

}  // namespace panecard::outline
