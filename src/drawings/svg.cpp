#include <algorithm>
#include <cmath>

#include "drawings/curve.h"
#include "drawings/drawings.h"
#include "drawings/style.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

constexpr double kMargin = 5;

Path closed(const std::vector<Segment>& all, const Placement& place) {
  Path path;
  if (all.empty()) return path;
  path.move(place(all.front().start));
  for (const Segment& s : all) place.append(path, s);
  return path.close();
}

Path range_path(const std::vector<Segment>& all, const SegmentRange& range,
                const Placement& place) {
  Path path;
  path.move(place(all[range.first].start));
  for (std::size_t i = range.first;; i = (i + 1) % all.size()) {
    place.append(path, all[i]);
    if (i == range.last) return path;
  }
}

void dimension_layer(Sheet& sheet, const model::Measurement& m, const Placement& place) {
  const TextStyle text{8, style::kInk, Anchor::middle};
  sheet.begin_group("dimensions", true);
  sheet.text(place(m.outline.box.centre),
             say_length(m.outline.long_mm, Units::mm).both() + " \u00d7 " +
                 say_length(m.outline.short_mm, Units::mm).both() + " mm",
             text);
  for (const outline::Piece& p : m.outline.pieces) {
    const std::string words = p.corner ? "R " + say_length(p.radius, Units::mm).both()
                                       : say_length(p.length_mm, Units::mm).both();
    sheet.text(place(0.5 * (p.start + p.end)), short_name(p.name) + "  " + words, text);
  }
  sheet.end_group();
}

}  // namespace

std::string to_svg(const model::Measurement& m) {
  const std::vector<Segment> all = segments(m.outline);
  PolygonMm extent = corners(m.outline.box);
  const PolygonMm box = extent;
  extent.insert(extent.end(), m.outline.points.begin(), m.outline.points.end());
  const auto [left, right] = std::minmax_element(extent.begin(), extent.end(),
                                                 [](PointMm a, PointMm b) { return a.x < b.x; });
  const auto [low, high] = std::minmax_element(extent.begin(), extent.end(),
                                               [](PointMm a, PointMm b) { return a.y < b.y; });

  const Placement place{0, 1, {kMargin - left->x, kMargin + high->y}};
  Sheet sheet(right->x - left->x + 2 * kMargin, high->y - low->y + 2 * kMargin,
              "Pane outline, " + boundary_words(m.boundary) + ", " + clean(m.photo_name, 120));
  sheet.begin_group("box");
  Path frame;
  frame.move(place(box[0])).line(place(box[1])).line(place(box[2])).line(place(box[3])).close();
  sheet.stroke(frame, {style::kRule, 0.25});
  sheet.end_group();
  sheet.begin_group("outline");
  sheet.stroke(closed(all, place), {style::kAccent, 0.4});
  sheet.end_group();
  // White dashes over the outline: it stays one closed curve for the cutter and looks dashed.
  sheet.begin_group("not-seen");
  for (const SegmentRange& s : bridged(all)) {
    sheet.stroke(range_path(all, s, place), {style::kPaper, 0.6, {3, 4}});
  }
  sheet.end_group();
  dimension_layer(sheet, m, place);
  return sheet.svg();
}

}  // namespace panecard::drawings
