// From a shape's sources of error to the plus-minus of numbers that depend on its points.
#pragma once

#include <Eigen/Core>
#include <string>
#include <vector>

#include "check/check.h"

namespace panecard::check {

/// The shape at evenly spaced points, its sources of error with it.
Shape evenly(const Shape& shape, double step_mm);
Shape evenly(const Shape& shape);  ///< some thousand points at most

/// Unit vector that is up in the photo; without pixels the frame's y.
PointMm up_of(const Contour& contour);

/// "top, 1 o'clock"
std::string place_name(PointMm at, PointMm centre, PointMm up);

class Spread {
 public:
  /// @param along  per point, the direction in which a shift counts
  Spread(const Shape& shape, const PolygonMm& along);

  /// @param rows  d(number)/d(shift of each point along its direction), one row per number
  std::vector<Value> of(const Eigen::MatrixXd& rows) const;

  /// How far apart the errors of points are at most, in 95 of 100 cases, once `fitted` (points by
  /// parameters, by parameters by points) has followed them.
  double residual_range95(const std::vector<std::size_t>& points, const Eigen::MatrixXd& fitted,
                          const Eigen::MatrixXd& response, const Eigen::MatrixXd& draws) const;

  /// Points by sources, one standard uncertainty each.
  const Eigen::MatrixXd& columns() const { return columns_; }

 private:
  Eigen::MatrixXd columns_;
  std::vector<SourceName> sources_;  ///< per column
  Eigen::VectorXd u95_;              ///< instead, when the sources are not known
};

/// Independent values of N(0, 1), always the same ones: for the few questions that are not linear
/// (JCGM 101).
Eigen::MatrixXd normal_draws(Eigen::Index rows, Eigen::Index columns);

/// The value that 95 in 100 stay below.
double quantile95(std::vector<double> values);

}  // namespace panecard::check
