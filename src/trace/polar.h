// The photo in log-polar coordinates about the cards: a conformal map of the pane.
#pragma once

#include <numbers>
#include <opencv2/core.hpp>
#include <vector>

#include "geom/geom.h"
#include "trace/strip.h"

namespace panecard::trace {

constexpr int kRays = 1440;
constexpr double kTurn =
    2 * std::numbers::pi / kRays;  // also the step of ln r: the map is conformal

/// Part of the turn; may go over its end.
struct Rays {
  int first, count;
};

/// Whether two parts have a ray in common.
bool overlap(const Rays& a, const Rays& b);

/// Middle of all the cards' corners.
PointMm middle_of(const std::vector<PolygonMm>& cards);
PointMm direction(int ray);

/// Columns reach from the nearest point that a ray has outside the cards to the furthest that it
/// has inside the photo.
struct Polar {
  PointMm centre;
  std::vector<double> radius_mm;  ///< per column
  cv::Mat root;                   ///< kRays x columns, CV_32FC3, see root_intensity
  cv::Mat valid;                  ///< CV_8U: inside the photo, away from its border
  std::vector<int> first;         ///< per ray: first column outside the cards
  int columns() const { return static_cast<int>(radius_mm.size()); }
  PointMm at(int ray, int column) const;
};

/// `columns` is empty where no ray leaves the cards inside the photo.
Polar sample_polar(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards);

}  // namespace panecard::trace
