// A made-up pane: a rectangle about the origin with round corners.
#pragma once

#include <cmath>
#include <tuple>

#include "geom/geom.h"

namespace panecard::trace {

inline PolygonMm rounded_rectangle(double half_width_mm, double half_height_mm, double radius_mm,
                                   double step_mm) {
  PolygonMm corners;
  for (const auto& [sx, sy, from] :
       {std::tuple{1, -1, -90}, {1, 1, 0}, {-1, 1, 90}, {-1, -1, 180}}) {
    const PointMm middle{sx * (half_width_mm - radius_mm), sy * (half_height_mm - radius_mm)};
    for (int deg = 0; deg <= 90; deg += 3) {
      const double a = (from + deg) * M_PI / 180;
      corners.push_back(middle + radius_mm * PointMm{std::cos(a), std::sin(a)});
    }
  }
  return resample(corners, step_mm);
}

}  // namespace panecard::trace
