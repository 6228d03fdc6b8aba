// Bundle adjustment: one lens, one pose per photo, one flat board.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "lens/lens.h"

namespace panecard::lens {

/// camera_from_board: angle-axis, then translation in mm.
using Pose = Eigen::Matrix<double, 6, 1>;

struct Bundle {
  photo::LensVector lens = photo::LensVector::Zero();
  std::vector<Pose> poses;  ///< one per view
  double aspect = 0;        ///< the board is wider by 1 + aspect, lower by 1 - aspect
};

/// Principal point in the middle, no distortion, focal length from the views' homographies.
/// nullopt when a view has no homography (too few corners, or all on a line).
std::optional<Bundle> initial_bundle(const std::vector<View>& views, int width_px, int height_px);

struct Solution {
  Bundle bundle;
  photo::LensMatrix covariance =
      photo::LensMatrix::Zero();  ///< for the stated sigmas of the corners
  double cost = 0;                ///< robust sum of squares, in units of those sigmas
  double degrees_of_freedom = 0;  ///< residuals minus parameters
  std::vector<double> view_rms_px;
};

/// Least squares with the lens parameters in `free` (indices of photo::LensIndex) and all poses.
/// nullopt when it does not converge or the normal matrix is singular.
std::optional<Solution> solve(const Bundle& from, const std::vector<View>& views,
                              const std::vector<int>& free);

}  // namespace panecard::lens
