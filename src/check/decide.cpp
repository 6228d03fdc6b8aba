#include <algorithm>
#include <cmath>

#include "check/check.h"
#include "check/propagation.h"
#include "check/rounded.h"

namespace panecard::check {

namespace {

constexpr double k99 = 2.5758;  // of N(0, 1), both sides

bool beyond_99(const Dimension& d) { return std::abs(d.value) > k99 / 2 * d.u95; }

}  // namespace

std::optional<Measurand> too_bowed(const Rectangle& rectangle) {
  std::optional<Measurand> most;
  double depth = std::abs(rectangle[out_of_square].size.value) / 2;
  for (const Measurand m : {bow_bottom, bow_right, bow_top, bow_left}) {
    const Dimension& bow = rectangle[m].size;
    if (std::abs(bow.value) <= depth || !beyond_99(bow)) continue;
    depth = std::abs(bow.value);
    most = m;
  }
  return most;
}

Verdict is_out_of_square(const Rectangle& rectangle) {
  const Dimension& d = rectangle[out_of_square].size;
  if (!(std::abs(d.value) > d.u95)) {
    return d.u95 <= kSquareTolerance_mm ? Verdict::no : Verdict::cannot_tell;
  }
  return too_bowed(rectangle) ? Verdict::cannot_tell : Verdict::yes;
}

Verdict decide(const Dimension& size, double lower, double upper, double guard) {
  const double band = guard * size.u95;
  if (size.value - band >= lower && size.value + band <= upper) return Verdict::yes;
  if (size.value + band < lower || size.value - band > upper) return Verdict::no;
  return Verdict::cannot_tell;
}

Fits fits(const Rectangle& rectangle, const Wanted& wanted) {
  Fits out;
  const double width = rectangle.width_mm, height = rectangle.height_mm;
  const auto miss = [&](double w, double h) { return std::abs(width - w) + std::abs(height - h); };
  out.turned = miss(wanted.height_mm, wanted.width_mm) < miss(wanted.width_mm, wanted.height_mm);
  const double w = out.turned ? wanted.height_mm : wanted.width_mm;
  const double h = out.turned ? wanted.width_mm : wanted.height_mm;
  const auto add = [&](Measurand m, double nominal) {
    Decision d{rectangle[m], nominal - wanted.tolerance_mm, nominal + wanted.tolerance_mm};
    d.verdict = decide(d.value.size, d.lower_mm, d.upper_mm);
    out.decisions.push_back(std::move(d));
  };
  for (const Measurand m : {width_bottom, width_top}) add(m, w);
  for (const Measurand m : {height_left, height_right}) add(m, h);
  for (const Measurand m : {out_of_square, bow_bottom, bow_right, bow_top, bow_left}) add(m, 0);
  const auto any = [&](Verdict v) {
    return std::any_of(out.decisions.begin(), out.decisions.end(),
                       [v](const Decision& d) { return d.verdict == v; });
  };
  out.verdict = any(Verdict::no)            ? Verdict::no
                : any(Verdict::cannot_tell) ? Verdict::cannot_tell
                                            : Verdict::yes;
  return out;
}

Blank blank_for(const Shape& given, const Rectangle& rectangle, double oversize_mm) {
  const Shape shape = evenly_resampled(given);
  const PolygonMm& points = shape.contour.points;
  const PolygonMm normals = outward_normals(points);
  Rounded frame{rectangle.centre, rectangle.angle_rad, 0, 0, 0};
  PolygonMm widest, level;
  for (std::size_t i = 0; i < points.size(); ++i) {
    widest.push_back(points[i] + shape.u95_mm[i] * normals[i]);
    level.push_back(local(frame, widest.back()));
  }
  const auto [low, high] = extent_of(level);
  Blank blank;
  blank.angle_rad = frame.angle_rad;
  blank.centre = frame.centre + global_direction(frame, 0.5 * (low + high));
  blank.width_mm = std::ceil(high.x - low.x + 2 * oversize_mm);
  blank.height_mm = std::ceil(high.y - low.y + 2 * oversize_mm);
  Rounded shape_of_blank{blank.centre, blank.angle_rad, blank.width_mm / 2, blank.height_mm / 2, 0};
  // The largest corner radius that keeps the allowance everywhere; a sharp corner always does.
  const double most = std::min(blank.width_mm, blank.height_mm) / 2;
  for (int r = static_cast<int>(rectangle.radius_mm + oversize_mm); r >= 0; --r) {
    shape_of_blank.radius_mm = blank.radius_mm = std::min(static_cast<double>(r), most);
    blank.least_margin_mm = 1e300;
    for (const PointMm p : widest) {
      blank.least_margin_mm = std::min(blank.least_margin_mm, -offset_from(shape_of_blank, p).mm);
    }
    if (blank.least_margin_mm >= oversize_mm - 1e-9) break;
  }
  return blank;
}

}  // namespace panecard::check
