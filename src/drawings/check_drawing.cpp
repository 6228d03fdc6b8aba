#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "drawings/curve.h"
#include "drawings/drawing_parts.h"
#include "drawings/drawings.h"
#include "drawings/sheet.h"
#include "drawings/style.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

constexpr double kWidth = 297, kHeight = 210;  // A4 landscape, ISO 216
constexpr PagePoint kLow{30, 38}, kHigh{185, 182};
constexpr double kColumn = 206, kColumnRight = 287;

/// A closed curve, what it is held against, and how far it is off, point by point.
struct Picture {
  PolygonMm points, reference;
  std::vector<double> off_mm;
  double turn_rad = 0;
  double room_mm = 1e9;  ///< the enlarged distance must not reach further, or corners turn over
};

struct Scale {
  Placement place;
  double one_to = 1, times = 1;
};

Scale scale_for(const Picture& p) {
  Scale out;
  out.place.turn_rad = p.turn_rad;
  PagePoint low{1e300, 1e300}, high{-1e300, -1e300};
  for (const PointMm q : p.reference) {
    const PagePoint at = out.place(q);
    low = {std::min(low.x, at.x), std::min(low.y, at.y)};
    high = {std::max(high.x, at.x), std::max(high.y, at.y)};
  }
  const double least =
      std::max((high.x - low.x) / (kHigh.x - kLow.x), (high.y - low.y) / (kHigh.y - kLow.y));
  out.one_to = drawn_scale(least);
  out.place.scale = 1 / out.one_to;
  out.place.origin = 0.5 * (kLow + kHigh) - out.place.scale * 0.5 * (low + high);
  double most = 0;
  for (const double off : p.off_mm) most = std::max(most, std::abs(off));
  constexpr double kWidest_mm = 5;
  const double room = std::min(kWidest_mm * out.one_to, p.room_mm);
  for (const double t : {1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0}) {
    if (t * most <= room) out.times = t;
  }
  return out;
}

Path closed(const PolygonMm& points, const Placement& place) {
  Path path;
  for (std::size_t i = 0; i < points.size(); ++i) {
    i == 0 ? path.move(place(points[i])) : path.line(place(points[i]));
  }
  return path.close();
}

void draw_curves(Sheet& sheet, const Picture& p, const Scale& scale) {
  const PolygonMm normals = outward_normals(p.points);
  PolygonMm shown;
  for (std::size_t i = 0; i < p.points.size(); ++i) {
    shown.push_back(p.points[i] + (scale.times - 1) * p.off_mm[i] * normals[i]);
  }
  Path between;
  for (std::size_t i = 0; i < shown.size(); ++i) {
    const std::size_t k = (i + 1) % shown.size();
    const PointMm foot = p.points[i] - p.off_mm[i] * normals[i],
                  next = p.points[k] - p.off_mm[k] * normals[k];
    between.move(scale.place(foot)).line(scale.place(shown[i]));
    between.line(scale.place(shown[k])).line(scale.place(next)).close();
  }
  sheet.begin_group("deviation");
  sheet.fill(between, style::kAccentPale);
  sheet.end_group();
  sheet.begin_group("reference");
  sheet.stroke(closed(p.reference, scale.place), {style::kQuiet, 0.25});
  sheet.end_group();
  sheet.begin_group("outline");
  sheet.stroke(closed(shown, scale.place), {style::kAccent, 0.45});
  sheet.end_group();
}

void say_scale(TextColumn& column, const Scale& scale, const std::string& reference) {
  column.y = 178;
  column.line("Drawn 1 : " + to_text(scale.one_to, 1) + ". Grey: " + reference + ".", true);
  column.line(scale.times > 1 ? "Orange: the outline, its distance from the grey line drawn " +
                                    to_text(scale.times, 0) + " times as large."
                              : "Orange: the outline, at the same scale.",
              true);
}

PolygonMm rounded_outline(const check::Rectangle& r) {
  PolygonMm out;
  constexpr int kParts = 24;
  const double w = r.width_mm / 2 - r.radius_mm, h = r.height_mm / 2 - r.radius_mm;
  const std::array<PointMm, 4> centres = {PointMm{w, h}, {-w, h}, {-w, -h}, {w, -h}};
  const double c = std::cos(r.angle_rad), s = std::sin(r.angle_rad);
  for (std::size_t k = 0; k < 4; ++k) {
    for (int i = 0; i <= kParts; ++i) {
      const double a =
          (static_cast<double>(k) + static_cast<double>(i) / kParts) * std::numbers::pi / 2;
      const PointMm p = centres[k] + r.radius_mm * PointMm{std::cos(a), std::sin(a)};
      out.push_back(r.centre + PointMm{c * p.x - s * p.y, s * p.x + c * p.y});
    }
  }
  return out;
}

void side_label(Sheet& sheet, PagePoint at, double turn_deg, const std::string& words) {
  sheet.text(at, words, {3, style::kInk, Anchor::middle, false, turn_deg});
}

/// Sizes outside the four sides; the diagonals dashed from sharp corner to sharp corner.
void draw_sizes(Sheet& sheet, const check::Rectangle& r, const Scale& scale, Units u) {
  std::array<PagePoint, 4> c;
  for (std::size_t k = 0; k < 4; ++k) c[k] = scale.place(r.sharp[k]);
  const auto said = [&](check::Measurand m) { return say_length(r[m].size, u).both(); };
  const Pen dashed{style::kRule, 0.2, {2, 1.5}};
  sheet.begin_group("sizes");
  for (const std::size_t k : {0U, 1U}) {
    Path path;
    sheet.stroke(path.move(c[k]).line(c[k + 2]), dashed);
    const PagePoint along = k == 0 ? c[2] - c[0] : c[1] - c[3], from = k == 0 ? c[0] : c[3];
    const double turn = std::atan2(along.y, along.x);
    const PagePoint at = from + 0.27 * along + 1.2 * PagePoint{std::sin(turn), -std::cos(turn)};
    side_label(sheet, at, turn * 180 / std::numbers::pi,
               said(k == 0 ? check::diagonal_rising : check::diagonal_falling));
  }
  for (const PagePoint p : c) {
    Path cross;
    cross.move(p - PagePoint{1.5, 0}).line(p + PagePoint{1.5, 0});
    cross.move(p - PagePoint{0, 1.5}).line(p + PagePoint{0, 1.5});
    sheet.stroke(cross, {style::kInk, 0.2});
  }
  constexpr double kAway = 10;
  side_label(sheet, 0.5 * (c[0] + c[1]) + PagePoint{0, kAway + 2}, 0, said(check::width_bottom));
  side_label(sheet, 0.5 * (c[2] + c[3]) - PagePoint{0, kAway}, 0, said(check::width_top));
  side_label(sheet, 0.5 * (c[0] + c[3]) - PagePoint{kAway, 0}, -90, said(check::height_left));
  side_label(sheet, 0.5 * (c[1] + c[2]) + PagePoint{kAway + 2, 0}, -90, said(check::height_right));
  sheet.end_group();
}

Sheet check_sheet(const report::CheckReport& report, Units u) {
  const check::Rectangle& r = report.rectangle;
  Sheet sheet(kWidth, kHeight, "Rectangle check, " + clean(report.name, 120));
  const Ruler ruler;
  constexpr double kLeastRoom_mm = 6;
  const Picture picture{r.points, rounded_outline(r), r.off_mm, -r.angle_rad,
                        std::max(kLeastRoom_mm, r.radius_mm)};
  const Scale scale = scale_for(picture);
  draw_curves(sheet, picture, scale);
  draw_sizes(sheet, r, scale, u);
  TextColumn column{sheet, ruler, kColumn, kColumnRight};
  column.title(report.name.empty() ? "Rectangle check" : clean(report.name, 60));
  column.line(boundary_words(report.boundary) + ", held against a rectangle", true);
  column.gap();
  column.line(say_squareness(r, u));
  if (report.fits) column.line("Verdict: " + say_fit(*report.fits, u));
  column.gap();
  for (int m = 0; m < check::kMeasurands; ++m) {
    if (m == check::out_of_square_deg) continue;
    const check::Value& v = r.values[static_cast<std::size_t>(m)];
    column.row(v.name, say_length(v.size, u).both());
  }
  column.gap();
  column.line(say_blank(report.blank, u));
  column.line("Sizes in " + length_unit(u) +
                  ", between the sharp corners (crosses). \u00b1 holds for 95 %, k = 2.",
              true);
  say_scale(column, scale, "the best rectangle");
  return sheet;
}

Sheet compare_sheet(const report::CompareReport& report, Units u) {
  const check::Comparison& c = report.comparison;
  Sheet sheet(kWidth, kHeight,
              "Two outlines, " + clean(report.first, 60) + " on " + clean(report.second, 60));
  const Ruler ruler;
  const double turn = -std::remainder(min_area_box(c.reference).angle_rad, std::numbers::pi / 2);
  const Picture picture{c.registered, c.reference, c.off_mm, turn};
  const Scale scale = scale_for(picture);
  draw_curves(sheet, picture, scale);
  TextColumn column{sheet, ruler, kColumn, kColumnRight};
  column.title(clean(report.first, 50) + " on " + clean(report.second, 50));
  if (report.mirrored) column.line("the first one mirrored", true);
  column.gap();
  column.line("Verdict: " + say_comparison(report, u));
  column.gap();
  for (const auto* d : {&c.gap, &c.overlap}) {
    column.row(d == &c.gap ? "largest gap" : "largest overlap",
               say_length({d->size_mm, d->u95_mm}, u).both());
    if (d->size_mm > 0) column.line(d->where, true);
  }
  column.line("Sizes in " + length_unit(u) + ". \u00b1 holds for 95 %, k = 2.", true);
  say_scale(column, scale, "the second outline");
  return sheet;
}

}  // namespace

std::string to_check_drawing_svg(const report::CheckReport& r, Units u) {
  return check_sheet(r, u).svg();
}
std::string to_check_drawing_pdf(const report::CheckReport& r, Units u) {
  return check_sheet(r, u).pdf();
}
std::string to_compare_drawing_svg(const report::CompareReport& r, Units u) {
  return compare_sheet(r, u).svg();
}
std::string to_compare_drawing_pdf(const report::CompareReport& r, Units u) {
  return compare_sheet(r, u).pdf();
}

}  // namespace panecard::drawings
