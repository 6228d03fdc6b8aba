#include "check/rounded.h"

#include <cmath>

namespace panecard::check {

PointMm local(const Rounded& r, PointMm p) {
  const double c = std::cos(r.angle_rad), s = std::sin(r.angle_rad);
  const PointMm arm = p - r.centre;
  return {c * arm.x + s * arm.y, c * arm.y - s * arm.x};
}

PointMm global_direction(const Rounded& r, PointMm d) {
  const double c = std::cos(r.angle_rad), s = std::sin(r.angle_rad);
  return {c * d.x - s * d.y, s * d.x + c * d.y};
}

Offset offset_from(const Rounded& r, PointMm p) {
  const PointMm at = local(r, p);
  const double x = std::abs(at.x), y = std::abs(at.y);
  const double over_x = x - (r.half_width_mm - r.radius_mm);
  const double over_y = y - (r.half_height_mm - r.radius_mm);
  Offset out;
  PointMm g;  // gradient in the first quadrant
  double by_radius = 0;
  const double arm = std::hypot(over_x, over_y);
  if (over_x > 0 && over_y > 0 && arm > 0) {
    out.mm = arm - r.radius_mm;
    g = {over_x / arm, over_y / arm};
    by_radius = g.x + g.y - 1;
  } else if (over_x > over_y) {
    out.mm = x - r.half_width_mm;
    g = {1, 0};
  } else {
    out.mm = y - r.half_height_mm;
    g = {0, 1};
  }
  const PointMm grows = g;
  g = {std::copysign(g.x, at.x), std::copysign(g.y, at.y)};
  out.normal = global_direction(r, g);
  out.moves << -out.normal.x, -out.normal.y, g.x * at.y - g.y * at.x, -grows.x, -grows.y, by_radius;
  return out;
}

}  // namespace panecard::check
