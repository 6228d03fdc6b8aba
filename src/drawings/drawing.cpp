#include "drawings/drawing.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "drawings/curve.h"
#include "drawings/drawing_parts.h"
#include "drawings/labels.h"
#include "drawings/style.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

using outline::Outline;
using outline::Piece;

constexpr double kDegrees = 180 / std::numbers::pi;
constexpr PagePoint kAreaLow{10, 12};
constexpr PagePoint kAreaHigh{208, 182};
constexpr PagePoint kPaneLow{28, 20};  // the box lies in here; its dimensions stand outside
constexpr PagePoint kPaneHigh{202, 162};
constexpr double kDimensionGap = 9;
constexpr double kLabelSize = 2.8;
constexpr double kCrossOutline = 40;
constexpr double kCrossQuiet = 8;
constexpr std::size_t kMostLabels = 60;  // an outline of more pieces is no drawing any more

double length(PagePoint p) { return std::hypot(p.x, p.y); }
PagePoint unit(PagePoint p) { return (1 / std::max(length(p), 1e-9)) * p; }

struct Drawing {
  Drawing(const model::Measurement& measurement, Units wanted) : m(measurement), units(wanted) {}

  const model::Measurement& m;
  Units units;
  std::vector<Segment> all = segments(m.outline);
  Sheet sheet{kPageWidth, kPageHeight,
              "Pane outline, " + boundary_words(m.boundary) + ", " + clean(m.photo_name, 120)};
  Ruler ruler;
  LabelField field{kAreaLow, kAreaHigh};
  Placement place;
  DrawingScale scale;
  PagePoint box_low, box_high;  ///< the turned box on the page
};

// Turned by less than 45 deg so that the box stands square on the page and up stays up.
void choose_placement(Drawing& d) {
  const OrientedBox& box = d.m.outline.box;
  const double turn = -std::remainder(box.angle_rad, std::numbers::pi / 2);
  const bool lying = std::abs(std::cos(box.angle_rad + turn)) > 0.5;
  const double width = lying ? box.long_mm : box.short_mm;
  const double height = lying ? box.short_mm : box.long_mm;
  d.scale.one_to = drawn_scale(
      std::max(width / (kPaneHigh.x - kPaneLow.x), height / (kPaneHigh.y - kPaneLow.y)));
  d.scale.turned_deg = -turn * kDegrees;
  d.place.turn_rad = turn;
  d.place.scale = 1 / d.scale.one_to;
  const PagePoint middle = 0.5 * (kPaneLow + kPaneHigh);
  d.place.origin = middle - d.place(box.centre);
  const PagePoint half{width * d.place.scale / 2, height * d.place.scale / 2};
  d.box_low = middle - half;
  d.box_high = middle + half;
}

double band_times(const Outline& o, double scale) {
  constexpr double kWidest = 2.4;  // mm on paper, to each side
  double most = 0;
  for (const double u : o.u95_mm) most = std::max(most, std::isfinite(u) ? u : 0);
  if (most <= 0) return 0;
  constexpr std::array<double, 9> kTimes = {500, 200, 100, 50, 20, 10, 5, 2, 1};
  for (const double t : kTimes) {
    if (t * most * scale <= kWidest) return t;
  }
  return 0;
}

// One four-cornered patch per chord, all in one fill: a self-touching inner offset cannot punch
// holes into it.
void draw_band(Drawing& d) {
  const Outline& o = d.m.outline;
  const std::size_t n = o.points.size();
  if (o.u95_mm.size() != n || n < 3) return;
  d.scale.band_times = band_times(o, d.place.scale);
  if (d.scale.band_times == 0) return;
  const PolygonMm normal = outward_normals(o.points);
  Path path;
  for (std::size_t i = 0; i < n; ++i) {
    const std::size_t k = (i + 1) % n;
    const PointMm a = d.scale.band_times * o.u95_mm[i] * normal[i];
    const PointMm b = d.scale.band_times * o.u95_mm[k] * normal[k];
    path.move(d.place(o.points[i] + a)).line(d.place(o.points[i] - a));
    path.line(d.place(o.points[k] - b)).line(d.place(o.points[k] + b)).close();
  }
  d.sheet.begin_group("uncertainty");
  d.sheet.fill(path, style::kAccentPale);
  d.sheet.stroke(path, {style::kAccentPale, 0.05});
  d.sheet.end_group();
}

void draw_outline(Drawing& d) {
  d.sheet.begin_group("outline");
  std::size_t start = 0;
  while (start < d.all.size() && d.all[start].seen) ++start;
  const bool whole = start == d.all.size();
  if (whole) start = 0;
  Path path;
  bool seen = true;
  bool open = false;
  const auto end_stretch = [&] {
    if (whole) path.close();
    if (open) {
      d.sheet.stroke(path, {style::kAccent, 0.5,
                            seen ? std::vector<double>{} : std::vector<double>{1.6, 1.2}});
    }
    path = Path();
    open = false;
  };
  for (std::size_t k = 0; k < d.all.size(); ++k) {
    const Segment& s = d.all[(start + k) % d.all.size()];
    if (open && s.seen != seen) end_stretch();
    if (!open) path.move(d.place(s.start));
    open = true;
    seen = s.seen;
    d.place.append(path, s);
  }
  end_stretch();
  d.sheet.end_group();
  for (const Segment& s : d.all) {
    const PolygonMm chords = flatten(s, 0.2 * d.scale.one_to);
    for (std::size_t i = 1; i < chords.size(); ++i) {
      d.field.add_line(d.place(chords[i - 1]), d.place(chords[i]), kCrossOutline);
    }
  }
}

// The bold name, then the value, centred in the label's rectangle.
void put(Drawing& d, const Label& label, const std::string& name, const std::string& words,
         double size) {
  const double a = label.turn_deg / kDegrees;
  const PagePoint along{std::cos(a), std::sin(a)};
  const PagePoint down{-std::sin(a), std::cos(a)};
  PagePoint at = label.centre - 0.5 * label.width * along + 0.36 * size * down;
  if (!name.empty()) {
    d.sheet.text(at, name, {size, style::kInk, Anchor::start, true, label.turn_deg});
    at = at + (d.ruler.width_mm(name, size, true) + (words.empty() ? 0 : 0.55 * size)) * along;
  }
  if (!words.empty()) {
    d.sheet.text(at, words, {size, style::kInk, Anchor::start, false, label.turn_deg});
  }
  Label kept_clear = label;
  kept_clear.width += size;
  d.field.add_label(kept_clear);
}

Label size_of(const Drawing& d, const std::string& name, const std::string& words, double size) {
  Label label;
  label.height = 1.05 * size;
  if (!name.empty()) label.width += d.ruler.width_mm(name, size, true);
  if (!words.empty()) label.width += d.ruler.width_mm(words, size);
  if (!name.empty() && !words.empty()) label.width += 0.55 * size;
  return label;
}

void dimension_line(Drawing& d, PagePoint a, PagePoint b, PagePoint from_a, PagePoint from_b,
                    const std::string& words) {
  draw_dimension_line(d.sheet, a, b, from_a, from_b);
  const PagePoint along = unit(b - a);
  constexpr double kSize = 3.4;
  Label label = size_of(d, "", words, kSize);
  label.turn_deg = upright_deg(std::atan2(along.y, along.x) * kDegrees);
  const double turn = label.turn_deg / kDegrees;
  label.centre = 0.5 * (a + b) + 2.6 * PagePoint{std::sin(turn), -std::cos(turn)};
  put(d, label, "", words, kSize);
  d.field.add_line(a, b, kCrossQuiet);
}

void draw_box(Drawing& d) {
  const Outline& o = d.m.outline;
  const PagePoint low = d.box_low;
  const PagePoint high = d.box_high;
  Path frame;
  frame.rectangle(low, high.x - low.x, high.y - low.y);
  d.sheet.begin_group("box");
  d.sheet.stroke(frame, {style::kRule, 0.2});
  const bool lying = high.x - low.x >= high.y - low.y;
  const std::string unit_word = " " + length_unit(d.units);
  const std::string wide = say_length(lying ? o.long_mm : o.short_mm, d.units).both() + unit_word;
  const std::string tall = say_length(lying ? o.short_mm : o.long_mm, d.units).both() + unit_word;
  const double y = high.y + kDimensionGap;
  const double x = low.x - kDimensionGap;
  dimension_line(d, {low.x, y}, {high.x, y}, {low.x, high.y}, high, wide);
  dimension_line(d, {x, high.y}, {x, low.y}, {low.x, high.y}, low, tall);
  d.sheet.end_group();
}

// The rounding between two edges, or the one point where they meet at an angle.
std::vector<PolygonMm> corners_of(const Outline& o) {
  constexpr double kLeastKink = 10 / kDegrees;
  std::vector<PolygonMm> out;
  const std::size_t n = o.points.size();
  for (std::size_t k = 0; k < o.pieces.size() && n > 0; ++k) {
    const Piece& p = o.pieces[k];
    const std::size_t last = p.last % n;
    if (p.corner) {
      out.push_back({p.start});
      for (std::size_t i = p.first % n; i != last; i = (i + 1) % n) {
        out.back().push_back(o.points[i]);
      }
      out.back().push_back(p.end);
    } else if (!o.pieces[(k + 1) % o.pieces.size()].corner) {
      const PointMm in = o.points[last] - o.points[(last + n - 1) % n];
      const PointMm after = o.points[(last + 1) % n] - o.points[last];
      if (std::abs(std::atan2(cross(in, after), dot(in, after))) > kLeastKink) {
        out.push_back({p.end});
      }
    }
  }
  return out;
}

// A diagonal is the longest that a tape reads from one rounding to the opposite one.
std::pair<PointMm, PointMm> farthest(const PolygonMm& from, const PolygonMm& to) {
  std::pair<PointMm, PointMm> best{from.front(), to.front()};
  for (const PointMm a : from) {
    for (const PointMm b : to) {
      if (distance(a, b) > distance(best.first, best.second)) best = {a, b};
    }
  }
  return best;
}

void draw_diagonals(Drawing& d) {
  const Outline& o = d.m.outline;
  const std::vector<PolygonMm> corners = corners_of(o);
  if (o.diagonals_mm.size() != 2 || corners.size() != 4) return;
  d.sheet.begin_group("diagonals");
  std::array<std::pair<PagePoint, PagePoint>, 2> ends;
  Path lines;
  for (std::size_t i = 0; i < 2; ++i) {
    const auto [a, b] = farthest(corners[i], corners[i + 2]);
    ends[i] = {d.place(a), d.place(b)};
    lines.move(ends[i].first).line(ends[i].second);
    d.field.add_line(ends[i].first, ends[i].second, kCrossQuiet);
  }
  d.sheet.stroke(lines, {style::kRule, 0.18, {3, 1, 0.5, 1}});
  for (std::size_t i = 0; i < 2; ++i) {
    const std::string words = say_length(o.diagonals_mm[i], d.units).both();
    const auto [a, b] = ends[i];
    Label label = size_of(d, "", words, kLabelSize);
    label.turn_deg = upright_deg(std::atan2(b.y - a.y, b.x - a.x) * kDegrees);
    label.centre = a + 0.32 * (b - a);
    // The text interrupts its own line.
    const PagePoint half = (label.width / 2 + 1) * unit(b - a);
    Path gap;
    gap.move(label.centre - half).line(label.centre + half);
    d.sheet.stroke(gap, {style::kPaper, 0.8});
    put(d, label, "", words, kLabelSize);
  }
  d.sheet.end_group();
}

PolygonMm chords_of(const std::vector<Segment>& all, std::size_t first, std::size_t last) {
  PolygonMm out{all[first].start};
  for (std::size_t i = first;; i = (i + 1) % all.size()) {
    const PolygonMm chords = flatten(all[i], 0.2);
    out.insert(out.end(), chords.begin() + 1, chords.end());
    if (i == last) return out;
  }
}

LinePoint line_point_at(const Drawing& d, const PolygonMm& chords, double fraction) {
  double total = 0;
  for (std::size_t i = 1; i < chords.size(); ++i) total += distance(chords[i - 1], chords[i]);
  double left = fraction * total;
  for (std::size_t i = 1; i < chords.size(); ++i) {
    const double step = distance(chords[i - 1], chords[i]);
    if ((left <= step && step > 0) || i + 1 == chords.size()) {
      const PointMm p = chords[i - 1] + (step > 0 ? left / step : 0) * (chords[i] - chords[i - 1]);
      return {d.place(p), unit(d.place(chords[i]) - d.place(chords[i - 1]))};
    }
    left -= step;
  }
  return {};
}

struct Choice {
  Label label;
  double cost = 1e300;
};

Choice beside(const Drawing& d, const PolygonMm& chords, const Label& size, bool inside) {
  Choice best;
  double preference = 0;
  for (const double off : {0.0, 1.5, 4.0}) {
    for (const double fraction : {0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8}) {
      const LinePoint point = line_point_at(d, chords, fraction);
      const double side = inside ? 1 : -1;
      Label label = size;
      label.turn_deg = upright_deg(std::atan2(point.along.y, point.along.x) * kDegrees);
      label.centre = point.at + side * (size.height / 2 + 3.2 + off) * point.inward();
      const double cost = d.field.cost(label) + preference;
      if (cost < best.cost) best = {label, cost};
      preference += 0.5;
    }
  }
  return best;
}

void label_edge(Drawing& d, const Piece& piece, const PolygonMm& chords) {
  const std::string name = short_name(piece.name);
  const std::string words = say_length(piece.length_mm, d.units).both();
  Choice choice = beside(d, chords, size_of(d, name, words, kLabelSize), true);
  if (choice.cost < kCrossOutline) return put(d, choice.label, name, words, kLabelSize);
  choice = beside(d, chords, size_of(d, name, "", kLabelSize), true);
  if (choice.cost < LabelField::kBlocked) put(d, choice.label, name, "", kLabelSize);
}

void label_corner(Drawing& d, const Piece& piece, const PolygonMm& chords) {
  const std::string name = short_name(piece.name);
  const std::string words = "R " + say_length(piece.radius, d.units).both();
  const LinePoint point = line_point_at(d, chords, 0.5);
  const Label size = size_of(d, name, words, kLabelSize);
  Choice best;
  PagePoint knee;
  double preference = 0;
  for (const double reach : {7.0, 10.0, 14.0, 19.0, 25.0}) {
    for (const double turn : {0.0, 0.35, -0.35, 0.7, -0.7}) {
      const PagePoint in = point.inward();
      const PagePoint way{std::cos(turn) * in.x - std::sin(turn) * in.y,
                          std::sin(turn) * in.x + std::cos(turn) * in.y};
      const PagePoint end = point.at + reach * way;
      Label label = size;
      label.centre = end + PagePoint{(way.x < 0 ? -1 : 1) * (size.width / 2 + 1), 0};
      const double cost = d.field.cost(label) + d.field.cost_of_line(point.at, end) + preference;
      if (cost < best.cost) {
        best = {label, cost};
        knee = end;
      }
      preference += 0.5;
    }
  }
  if (best.cost >= kCrossOutline) return;
  Path leader;
  leader.move(point.at).line(knee);
  d.sheet.stroke(leader, {style::kQuiet, 0.18});
  d.field.add_line(point.at, knee, kCrossOutline);
  put(d, best.label, name, words, kLabelSize);
}

void label_pieces(Drawing& d) {
  const std::vector<Piece>& pieces = d.m.outline.pieces;
  if (pieces.empty() || pieces.size() > kMostLabels) return;
  d.sheet.begin_group("labels");
  for (const bool corner : {false, true}) {
    for (std::size_t i = 0; i < d.all.size();) {
      std::size_t last = i;
      while (last + 1 < d.all.size() && d.all[last + 1].piece == d.all[i].piece) ++last;
      const Piece& piece = pieces[d.all[i].piece];
      if (piece.corner == corner) {
        const PolygonMm chords = chords_of(d.all, i, last);
        corner ? label_corner(d, piece, chords) : label_edge(d, piece, chords);
      }
      i = last + 1;
    }
  }
  d.sheet.end_group();
}

void label_bridged(Drawing& d) {
  constexpr double kSize = 2.4;
  const std::vector<SegmentRange> stretches = bridged(d.all);
  d.sheet.begin_group("not-seen");
  for (std::size_t i = 0; i < std::min(stretches.size(), kMostLabels); ++i) {
    const PolygonMm chords = chords_of(d.all, stretches[i].first, stretches[i].last);
    const Label size = size_of(d, "", "not seen", kSize);
    Choice choice = beside(d, chords, size, false);
    if (choice.cost >= kCrossOutline) choice = beside(d, chords, size, true);
    if (choice.cost < LabelField::kBlocked) put(d, choice.label, "", "not seen", kSize);
  }
  d.sheet.end_group();
}

Sheet draw(const model::Measurement& m, Units units) {
  Drawing d(m, units);
  choose_placement(d);
  draw_band(d);
  draw_box(d);
  draw_diagonals(d);
  draw_outline(d);
  label_pieces(d);
  label_bridged(d);
  draw_scale_bar(d.sheet, d.place.scale, units, "on the pane");
  draw_column(d.sheet, d.ruler, m, units, d.scale);
  return std::move(d.sheet);
}

}  // namespace

std::string to_drawing_svg(const model::Measurement& m, Units u) { return draw(m, u).svg(); }
std::string to_drawing_pdf(const model::Measurement& m, Units u) { return draw(m, u).pdf(); }

}  // namespace panecard::drawings
