// Propagates a shape's covariance to numbers that depend on its points (JCGM 100:2008, 5.2).
#pragma once

#include <Eigen/Core>
#include <string>
#include <vector>

#include "check/check.h"

namespace panecard::check {

/// The shape, with its modes, resampled at equal arc length.
Shape evenly_resampled(const Shape& shape, double step_mm);
Shape evenly_resampled(const Shape& shape);  ///< some thousand points at most

/// Unit vector that is up in the photo; without pixels the frame's y.
PointMm up_of(const Contour& contour);

/// "top, 1 o'clock"
std::string place_name(PointMm at, PointMm centre, PointMm up);

/// The modes of a shape as shifts of its points along given directions, and what follows from them.
class Propagation {
 public:
  /// @param along  per point, the direction in which a shift counts
  Propagation(const Shape& shape, const PolygonMm& along);

  /// @param rows  d(number)/d(shift of each point along its direction), one row per number
  std::vector<Value> of(const Eigen::MatrixXd& rows) const;

  /// 95 % quantile of the range (largest less smallest) of the points' residual errors, mm, after a
  /// linear fit.
  /// @param fitted    points x parameters
  /// @param response  parameters x points
  /// @param draws     standard normal values, sources x draws
  double residual_range95(const std::vector<std::size_t>& points, const Eigen::MatrixXd& fitted,
                          const Eigen::MatrixXd& response, const Eigen::MatrixXd& draws) const;

  /// Points by sources, one standard uncertainty each.
  const Eigen::MatrixXd& columns() const { return columns_; }

 private:
  Eigen::MatrixXd columns_;
  std::vector<SourceName> sources_;  ///< per column
  Eigen::VectorXd u95_;              ///< per point, used instead when the sources are not known
};

/// Independent values of N(0, 1) from a fixed seed, for Monte Carlo where a number is not linear in
/// the points (JCGM 101).
Eigen::MatrixXd normal_draws(Eigen::Index rows, Eigen::Index columns);

/// The value that 95 in 100 stay below.
double quantile95(std::vector<double> values);

}  // namespace panecard::check
