// Contours with known truth: rounded polygons in closed form, outlines from data files, and noise
// drawn from a contour's own modes.
#pragma once

#include <random>
#include <string>
#include <vector>

#include "geom/geom.h"

namespace panecard::test {

struct RoundedPolygon {
  PolygonMm corners;  ///< counter-clockwise, sharp
  double radius_mm;

  std::size_t size() const { return corners.size(); }
  double turn_rad(std::size_t k) const;  ///< heading change at corner k
  double edge_mm(std::size_t k) const;   ///< straight part from corner k to the next
  double area_mm2() const;
  double perimeter_mm() const;
  PolygonMm points(double step_mm) const;  ///< on the curve itself, evenly spaced
};

PolygonMm read_points(const std::string& file);
double distance_to(const PolygonMm& polygon, PointMm p);  ///< to the nearest chord

/// A contour of these points with edge noise only, pixels by a mild perspective and lens.
Contour contour_of(const PolygonMm& points, double sigma_mm, double correlation_length_mm);
/// The same contour as one measurement would see it: every mode drawn from N(0, 1).
Contour drawn(const Contour& contour, std::mt19937& random);
/// Scale, turn, shift and one keystone, as a measuring plane's uncertainty would be.
void add_plane_modes(Contour& contour, double relative_scale);
PointPx seen_at(PointMm p);

}  // namespace panecard::test
