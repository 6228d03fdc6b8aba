// Calibrates a phone's lens from photos of the coded sheet.
#pragma once

#include <string>
#include <vector>

#include "base/base.h"
#include "card/card.h"
#include "photo/photo.h"

namespace panecard::lens {

/// The chessboard corners of the sheet in one photo.
struct View {
  std::string name;  ///< file name, for messages
  std::vector<card::Corner> corners;
};

struct Calibration {
  photo::Lens lens;
  std::vector<double> view_rms_px;
  std::vector<Finding> findings;  ///< "poses_alike", "edges_not_covered", "photo_disagrees"
};

/// Bundle adjustment over all views (Zhang 2000), covariance from the Jacobian scaled by the
/// residuals.
/// @retval too_few_photos   fewer than six usable views
/// @retval poses_too_alike  focal length and distance are not separable: all views have nearly the
/// same tilt
Result<Calibration> calibrate(const std::vector<View>& views, int width_px, int height_px);

}  // namespace panecard::lens
