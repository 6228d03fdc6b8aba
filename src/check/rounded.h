// A rectangle with rounded corners and how far a point lies from it.
#pragma once

#include <Eigen/Core>

#include "geom/geom.h"

namespace panecard::check {

struct Rounded {
  PointMm centre;
  double angle_rad = 0;
  double half_width_mm = 0, half_height_mm = 0, radius_mm = 0;
};

/// In the rectangle's own frame: origin at its centre, x along its width.
PointMm local(const Rounded& r, PointMm p);
PointMm global_direction(const Rounded& r, PointMm local_direction);

struct Offset {
  double mm = 0;   ///< signed distance, positive outside
  PointMm normal;  ///< outward, at the foot
  /// d(mm)/d(centre x, centre y, angle, half width, half height, radius)
  Eigen::Matrix<double, 1, 6> moves = Eigen::Matrix<double, 1, 6>::Zero();
};
Offset offset_from(const Rounded& r, PointMm p);

}  // namespace panecard::check
