#include "pattern/oversize.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "pattern/line.h"

namespace panecard::pattern {
namespace {

/// Direction of the width, within 45 degrees of x so that top stays top.
double axis_of(const Pane& pane) {
  check::Shape shape;
  shape.contour.points = pane.outline;
  shape.contour.sigma_mm.assign(pane.outline.size(), 0);
  shape.u95_mm = pane.u95_mm;
  if (shape.u95_mm.empty()) shape.u95_mm.assign(pane.outline.size(), 0.1);
  shape.sources_known = false;
  const auto rectangle = check::fit_rectangle(shape);
  const double angle = rectangle.ok() ? rectangle->angle_rad : min_area_box(pane.outline).angle_rad;
  return std::remainder(angle, std::numbers::pi / 2);
}

bool is_amount(double mm) { return std::isfinite(mm) && mm >= 0 && mm <= kMostAllowance_mm; }

}  // namespace

Result<OversizeRectangle> oversize_rectangle(const Pane& pane, const Oversize& oversize) {
  if (!is_amount(oversize.mm) || !is_amount(oversize.radius_mm)) {
    return Error{Code::bad_usage, "the oversize and its corner radius must be from 0 to 1 m"};
  }
  OversizeRectangle out;
  if (oversize.cover && !pane.u95_mm.empty()) {
    out.u95_added_mm = *std::max_element(pane.u95_mm.begin(), pane.u95_mm.end());
  }
  const double angle = axis_of(pane);
  PolygonMm level;
  level.reserve(pane.outline.size());
  for (const PointMm p : pane.outline) level.push_back(turned(p, -angle));
  const double beyond = oversize.mm + out.u95_added_mm;
  const Extent e = extent_of(level);
  const PointMm low = e.low - PointMm{beyond, beyond}, high = e.high + PointMm{beyond, beyond};
  for (const PointMm corner : {low, {high.x, low.y}, high, {low.x, high.y}}) {
    out.outline.push_back(turned(corner, angle));
  }
  const char* const sides[] = {"bottom", "right", "top", "left"};
  const char* const corners[] = {"bottom right", "top right", "top left", "bottom left"};
  for (std::size_t k = 0; k < 4; ++k) {
    const std::size_t next = (k + 1) % 4;
    out.division.sides.push_back({sides[k], sides[k], k, next});
    out.division.corners.push_back({corners[k], corners[k], next, next});
  }
  return out;
}

std::vector<Finding> oversize_findings(const Pane& pane, const Oversize& oversize,
                                       const OversizeRectangle& around, const PolygonMm& cut) {
  std::vector<Finding> out;
  if (oversize.cover && pane.u95_mm.empty()) {
    out.push_back({"u95_not_known",
                   "the outline's uncertainty is not known, so nothing was added for it; check the "
                   "cut line on the glass"});
  }
  if (around.u95_added_mm > 0) {
    out.push_back(
        {"u95_added", "every side: " + to_text(around.u95_added_mm, 2) +
                          " mm added, the outline's largest U95, so that the piece surely "
                          "covers"});
  }
  double least = 1e300;
  PointMm where;
  for (const PointMm p : pane.outline) {
    double off = 1e300;
    for (std::size_t i = 0; i < cut.size(); ++i) {
      off = std::min(off, distance_to_segment(p, cut[i], cut[(i + 1) % cut.size()]));
    }
    if (!contains(cut, p)) off = -off;
    if (off < least) {
      least = off;
      where = p;
    }
  }
  constexpr double kNoticed_mm = 0.05;
  if (least < oversize.mm + around.u95_added_mm - kNoticed_mm) {
    std::size_t nearest = 0;
    for (std::size_t k = 1; k < 4; ++k) {
      if (distance(around.outline[(k + 1) % 4], where) <
          distance(around.outline[(nearest + 1) % 4], where)) {
        nearest = k;
      }
    }
    out.push_back({"corner_too_round", "at the " + around.division.corners[nearest].name +
                                           " the rounded corner leaves " + to_text(least, 1) +
                                           " mm beyond the outline; take a smaller radius or more "
                                           "around it"});
  }
  return out;
}

}  // namespace panecard::pattern
