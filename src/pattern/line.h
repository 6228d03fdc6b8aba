// Closed lines by arc length, and tests for self-intersection. Lengths in mm, angles in rad.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "geom/geom.h"

namespace panecard::pattern {

/// A closed line parametrised by arc length s (mm) from its first point.
class ArcLengthCurve {
 public:
  explicit ArcLengthCurve(const PolygonMm& points);
  double length() const { return at_.back(); }
  double at(std::size_t vertex) const { return at_[vertex]; }
  PointMm point(double s) const;               ///< s wraps
  std::size_t nearest_vertex(double s) const;  ///< s wraps

 private:
  std::size_t edge_of(double s) const;
  const PolygonMm& points_;
  std::vector<double> at_;
};

double positive_modulo(double value, double period);  ///< into [0, period)

/// Angle from a to b, within +-pi, positive counter-clockwise.
double turn_between(PointMm a, PointMm b);

PointMm unit(PointMm a);
inline PointMm outward(PointMm tangent) { return {tangent.y, -tangent.x}; }
PointMm turned(PointMm a, double rad);

/// Where two segments cross or touch.
std::optional<PointMm> meeting(PointMm a, PointMm b, PointMm c, PointMm d);

/// A place where the closed line crosses or touches itself.
std::optional<PointMm> find_crossing(const PolygonMm& line);

/// Steps that keep an arc's chords within the tolerance of it.
int arc_steps(double radius_mm, double sweep_rad, double tolerance_mm);

std::string place_text(PointMm p);  ///< "x 12.3, y -4 mm"

constexpr double kChord_mm = 0.0025;  ///< chord error: half of what a cut line may have in all

}  // namespace panecard::pattern
