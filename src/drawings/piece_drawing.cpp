// The piece to scale: the measured outline quiet, the cut line in the accent colour.
#include <algorithm>
#include <cmath>
#include <numbers>

#include "drawings/curve.h"
#include "drawings/cut_drawing.h"
#include "drawings/drawing.h"
#include "drawings/drawing_parts.h"
#include "drawings/labels.h"
#include "drawings/style.h"
#include "drawings/wording.h"
#include "film/film.h"

namespace panecard::drawings {
namespace {

constexpr double kDegrees = 180 / std::numbers::pi;
constexpr PagePoint kPaneLow{28, 18}, kPaneHigh{202, 164};
constexpr double kDimensionGap = 9, kLabelSize = 2.8, kDimensionSize = 3.4;
constexpr double kCrossLine = 40, kCrossQuiet = 8;
constexpr std::size_t kMostLabels = 60;

struct Drawing {
  Drawing(const report::PieceReport& r, Units wanted)
      : report(r), units(wanted), cut{film::CutKind::cut, r.piece.arcs, true, "", -1} {}

  const report::PieceReport& report;
  Units units;
  film::CutPath cut;
  Sheet sheet{kPageWidth, kPageHeight, "Film piece, " + clean(report.piece.name, 120)};
  Ruler ruler;
  LabelField field{{10, 10}, {208, 184}};
  SheetPlace place;
  double one_to = 1;
  PagePoint low, high;  ///< the piece's extent on the page
};

Path closed(const PolygonMm& points, const SheetPlace& place) {
  Path path;
  for (std::size_t i = 0; i < points.size(); ++i) {
    i == 0 ? path.move(place(points[i])) : path.line(place(points[i]));
  }
  return path.close();
}

/// Both lines find room; a pane larger than its piece counts as well.
void choose_place(Drawing& d) {
  Extent e = extent_of(d.cut);
  const Extent piece = e;
  for (const PointMm p : d.report.pane) {
    e.low = {std::min(e.low.x, p.x), std::min(e.low.y, p.y)};
    e.high = {std::max(e.high.x, p.x), std::max(e.high.y, p.y)};
  }
  const PointMm size = e.size();
  d.one_to = drawn_scale(
      std::max(size.x / (kPaneHigh.x - kPaneLow.x), size.y / (kPaneHigh.y - kPaneLow.y)));
  d.place.scale = 1 / d.one_to;
  const PagePoint middle = d.place(0.5 * (e.low + e.high));
  d.place.origin = 0.5 * (kPaneLow + kPaneHigh) - middle;
  d.low = d.place({piece.low.x, piece.high.y});
  d.high = d.place({piece.high.x, piece.low.y});
}

void block(Drawing& d, const PolygonMm& line) {
  PagePoint before = d.place(line.back());
  for (const PointMm p : line) {
    const PagePoint at = d.place(p);
    d.field.add_line(before, at, kCrossLine);
    before = at;
  }
}

/// What of the film lies beyond the outline stays pale, where it does not reach it stays white.
void draw_lines(Drawing& d) {
  const Path cut = on_page(d.cut, d.place);
  d.sheet.begin_group("film-beyond");
  d.sheet.fill(cut, style::kAccentPale);
  if (d.report.pane.size() >= 3) d.sheet.fill(closed(d.report.pane, d.place), style::kPaper);
  d.sheet.end_group();
  if (d.report.pane.size() >= 3) {
    d.sheet.begin_group("outline");
    d.sheet.stroke(closed(d.report.pane, d.place), {style::kQuiet, 0.2});
    d.sheet.end_group();
    block(d, d.report.pane);
  }
  d.sheet.begin_group("cut");
  d.sheet.stroke(cut, {style::kAccent, 0.5});
  d.sheet.end_group();
  block(d, flatten(d.cut, 0.1 * d.one_to));
}

void put(Drawing& d, const Label& label, const std::string& name, const std::string& words,
         double size) {
  const double a = label.turn_deg / kDegrees;
  const PagePoint along{std::cos(a), std::sin(a)}, down{-std::sin(a), std::cos(a)};
  PagePoint at = label.centre - 0.5 * label.width * along + 0.36 * size * down;
  if (!name.empty()) {
    d.sheet.text(at, name, {size, style::kInk, Anchor::start, true, label.turn_deg});
    at = at + (d.ruler.width_mm(name, size, true) + 0.55 * size) * along;
  }
  d.sheet.text(at, words, {size, style::kInk, Anchor::start, false, label.turn_deg});
  d.field.add_label(label);
}

Label size_of(const Drawing& d, const std::string& name, const std::string& words, double size) {
  Label label;
  label.width = d.ruler.width_mm(words, size);
  if (!name.empty()) label.width += d.ruler.width_mm(name, size, true) + 0.55 * size;
  label.height = 1.05 * size;
  return label;
}

void draw_size(Drawing& d, PagePoint a, PagePoint b, PagePoint from_a, PagePoint from_b,
               double mm) {
  draw_dimension_line(d.sheet, a, b, from_a, from_b);
  constexpr double kMmPerInch = 25.4;
  const std::string words = (d.units == Units::mm ? fixed(mm, 1) : fixed(mm / kMmPerInch, 2)) +
                            " " + length_unit(d.units);
  Label label = size_of(d, "", words, kDimensionSize);
  label.turn_deg = upright_deg(std::atan2(b.y - a.y, b.x - a.x) * kDegrees);
  const double turn = label.turn_deg / kDegrees;
  label.centre = 0.5 * (a + b) + 2.6 * PagePoint{std::sin(turn), -std::cos(turn)};
  put(d, label, "", words, kDimensionSize);
  d.field.add_line(a, b, kCrossQuiet);
}

void draw_sizes(Drawing& d) {
  const PagePoint low = d.low, high = d.high;
  const PointMm size = size_of_piece(d.report.piece);
  const double y = high.y + kDimensionGap, x = low.x - kDimensionGap;
  Path frame;
  frame.rectangle(low, high.x - low.x, high.y - low.y);
  d.sheet.begin_group("size");
  d.sheet.stroke(frame, {style::kRule, 0.18, {2, 1.2}});
  d.field.add_line(low, {high.x, low.y}, kCrossQuiet);
  d.field.add_line({high.x, low.y}, {high.x, y}, kCrossQuiet);
  d.field.add_line({high.x, high.y}, {x, high.y}, kCrossQuiet);
  d.field.add_line({low.x, y}, low, kCrossQuiet);
  draw_size(d, {low.x, y}, {high.x, y}, {low.x, high.y}, high, size.x);
  draw_size(d, {x, high.y}, {x, low.y}, {low.x, high.y}, low, size.y);
  d.sheet.end_group();
}

/// At a share of the way along a side of the cut polygon.
LinePoint line_point_at(const Drawing& d, const film::FilmSide& side, double share) {
  const PolygonMm& cut = d.report.piece.cut;
  const std::size_t n = cut.size();
  std::vector<double> run = {0};
  for (std::size_t i = side.first; i != side.last; i = (i + 1) % n) {
    run.push_back(run.back() + distance(cut[i], cut[(i + 1) % n]));
  }
  const double wanted = share * run.back();
  std::size_t k = 0;
  while (k + 2 < run.size() && run[k + 1] < wanted) ++k;
  const PointMm a = cut[(side.first + k) % n], b = cut[(side.first + k + 1) % n];
  const double step = distance(a, b);
  const PagePoint from = d.place(a), to = d.place(b);
  const double length = std::max(std::hypot(to.x - from.x, to.y - from.y), 1e-9);
  const double t = step > 0 ? std::clamp((wanted - run[k]) / step, 0.0, 1.0) : 0;
  return {from + t * (to - from), (1 / length) * (to - from)};
}

void label_side(Drawing& d, const film::FilmSide& side, const report::PieceSideWords& words) {
  const std::string name = clean(short_name(side.name), 24);
  const std::string amount = words.allowance + "  " + words.u95;
  const Label size = size_of(d, name, amount, kLabelSize);
  // Room for the outline between the cut line and its label, when that lies inside.
  const double inwards = std::max(0.0, side.allowance_mm) * d.place.scale;
  Label best = size;
  double least = LabelField::kBlocked, preference = 0;
  for (const double off : {0.0, 1.5, 4.0}) {
    for (const double share : {0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8}) {
      const LinePoint point = line_point_at(d, side, share);
      Label label = size;
      label.turn_deg = upright_deg(std::atan2(point.along.y, point.along.x) * kDegrees);
      label.centre = point.at + (inwards + size.height / 2 + 2.6 + off) * point.inward();
      const double cost = d.field.cost(label) + preference;
      preference += 0.5;
      if (cost >= least) continue;
      least = cost;
      best = label;
    }
  }
  if (least < kCrossLine) put(d, best, name, amount, kLabelSize);
}

void label_sides(Drawing& d) {
  const std::vector<report::PieceSideWords> words = side_words(d.report.piece, d.units);
  if (words.size() > kMostLabels) return;
  d.sheet.begin_group("sides");
  std::vector<std::string> told;
  for (const film::FilmSide& side : d.report.piece.sides) {
    if (std::find(told.begin(), told.end(), side.name) != told.end()) continue;
    told.push_back(side.name);
    if (side.first != side.last) label_side(d, side, words[told.size() - 1]);
  }
  d.sheet.end_group();
}

/// A corner of the cut line: arcs one after the other that bend alike.
struct Corner {
  PointMm at, outwards;  ///< the middle of its largest arc
  double least_mm = 1e9, most_mm = 0, turn_deg = 0;
};

/// Corners that a person would measure with a radius gauge; sides bend much less.
std::vector<Corner> corners_of(const film::CutPath& cut) {
  constexpr double kOfExtent = 0.25, kLeastTurn_deg = 20;
  const PointMm size = extent_of(cut).size();
  const double most_mm = kOfExtent * std::min(size.x, size.y);
  std::vector<Corner> out;
  bool going_on = false, bends_out = false;
  double widest_deg = 0;
  for (const film::Leg& leg : legs(cut)) {
    if (!(leg.radius_mm > 0 && leg.radius_mm <= most_mm)) {
      going_on = false;
      continue;
    }
    if (!going_on || bends_out != (leg.sweep_rad > 0)) out.emplace_back(), widest_deg = 0;
    going_on = true, bends_out = leg.sweep_rad > 0;
    Corner& c = out.back();
    const double turn_deg = std::abs(leg.sweep_rad) * kDegrees;
    c.least_mm = std::min(c.least_mm, leg.radius_mm);
    c.most_mm = std::max(c.most_mm, leg.radius_mm);
    c.turn_deg += turn_deg;
    if (turn_deg < widest_deg) continue;
    widest_deg = turn_deg;
    c.at = leg.at(0.5);
    c.outwards = (bends_out ? 1 : -1) / leg.radius_mm * (c.at - leg.centre);
  }
  std::erase_if(out, [](const Corner& c) { return c.turn_deg < kLeastTurn_deg; });
  return out;
}

/// "R 6.0"; "R 12 - 18" where a corner is no one arc.
std::string say_radius(const Corner& c, Units u) {
  constexpr double kMmPerInch = 25.4, kAlike = 1.05;
  const auto said = [u](double mm, int decimals) {
    return u == Units::mm ? fixed(mm, decimals) : fixed(mm / kMmPerInch, decimals + 1);
  };
  if (c.most_mm <= kAlike * c.least_mm) return "R " + said(0.5 * (c.least_mm + c.most_mm), 1);
  return "R " + said(c.least_mm, 0) + " - " + said(c.most_mm, 0);
}

/// Beside its corner, inside if there is room: outside run the lines of the sizes.
void label_corners(Drawing& d) {
  constexpr double kSize = 2.6;
  const std::vector<Corner> corners = corners_of(d.cut);
  if (corners.size() > kMostLabels) return;
  d.sheet.begin_group("corners");
  for (const Corner& c : corners) {
    const std::string words = say_radius(c, d.units);
    Label label = size_of(d, "", words, kSize), best = label;
    double least = LabelField::kBlocked, preference = 0;
    for (const double side : {-1.0, 1.0}) {
      for (const double off : {2.0, 3.5, 5.5, 8.0, 11.0}) {
        const PagePoint out{side * c.outwards.x, -side * c.outwards.y};
        const double reach =
            off + std::abs(out.x) * label.width / 2 + std::abs(out.y) * label.height / 2;
        label.centre = d.place(c.at) + reach * out;
        const double cost = d.field.cost(label) + preference;
        preference += 0.3;
        if (cost >= least) continue;
        least = cost, best = label;
      }
    }
    if (least < kCrossLine) put(d, best, "", words, kSize);
  }
  d.sheet.end_group();
}

/// An arrow in the middle that lies along the roll.
void draw_roll(Drawing& d) {
  const film::FilmPiece& piece = d.report.piece;
  if (piece.along == "any") return;
  const bool upright = piece.along == "upright";
  const PagePoint middle = 0.5 * (d.low + d.high);
  const PagePoint along = upright ? PagePoint{0, -1} : PagePoint{1, 0};
  const PagePoint across{along.y, -along.x};
  const double half = std::min(12.0, 0.3 * (upright ? d.high.y - d.low.y : d.high.x - d.low.x));
  Path line;
  line.move(middle - half * along).line(middle + half * along);
  for (const double end : {-1.0, 1.0}) {
    const PagePoint tip = middle + end * half * along;
    line.move(tip - end * 1.8 * along + 0.9 * across).line(tip);
    line.line(tip - end * 1.8 * along - 0.9 * across);
  }
  Label label = size_of(d, "", "along the roll", kLabelSize);
  label.turn_deg = upright ? -90 : 0;
  label.centre = middle - 2.2 * (upright ? PagePoint{1, 0} : PagePoint{0, 1});
  d.sheet.begin_group("roll");
  d.sheet.stroke(line, {style::kQuiet, 0.25, {}, true});
  put(d, label, "", "along the roll", kLabelSize);
  d.sheet.end_group();
}

void draw_findings(TextColumn& column, const std::vector<Finding>& findings) {
  constexpr double kLowest = 150;
  std::size_t told = 0;
  for (const Finding& f : findings) {
    if (column.y > kLowest) break;
    column.line(on_paper(f.text, 240));
    column.gap();
    ++told;
  }
  if (told < findings.size()) {
    column.line("and " + std::to_string(findings.size() - told) + " more in the piece's file",
                true);
  }
}

void draw_words(Drawing& d) {
  const report::PieceReport& r = d.report;
  const Units u = d.units;
  TextColumn column(d.sheet, d.ruler, kColumnLeft, kColumnRight);
  column.title(clean(r.piece.name, 60));
  column.line("film for " + clean(r.pane_name, 60) + ", " + boundary_words(r.piece.boundary), true);
  if (r.mirrored) column.line("mirrored, for the other side of the vehicle", true);
  column.gap();
  column.row("width x height", say_piece_size(r.piece, u));
  column.row("area", say_piece_area(r.piece, u));
  if (r.piece.copies > 1) column.row("copies", std::to_string(r.piece.copies));
  column.line(say_along(r.piece), true);
  column.gap();
  column.line("Cut line from the outline, its U95, " + length_unit(u), true);
  constexpr double kLowest = 130;
  const std::vector<report::PieceSideWords> sides = side_words(r.piece, u);
  for (std::size_t k = 0; k < sides.size(); ++k) {
    if (column.y > kLowest) {
      column.line("and " + std::to_string(sides.size() - k) + " more in the piece's file", true);
      break;
    }
    const report::PieceSideWords& w = sides[k];
    const std::string of_it = w.added == "-" ? "" : " (" + w.added + " for U95)";
    column.row(w.name, w.allowance + of_it + "  " + w.u95);
  }
  column.gap();
  draw_findings(column, r.piece.findings);
  column.y = 174;
  column.line("Drawn 1 : " + to_text(d.one_to, 1) +
                  ". Orange: cut line. Grey: measured outline. Pale: film beyond it.",
              true);
  column.line("+ outwards, - inwards. R: corner radius. \u00b1 holds for 95 %, k = 2.", true);
}

Sheet draw(const report::PieceReport& report, Units units) {
  Drawing d(report, units);
  choose_place(d);
  draw_sizes(d);
  draw_lines(d);
  draw_roll(d);
  label_corners(d);  // before the sides, which have more places to choose from
  label_sides(d);
  draw_scale_bar(d.sheet, d.place.scale, units, "on the pane");
  draw_words(d);
  return std::move(d.sheet);
}

}  // namespace

std::string to_piece_drawing_svg(const report::PieceReport& r, Units u) { return draw(r, u).svg(); }
std::string to_piece_drawing_pdf(const report::PieceReport& r, Units u) { return draw(r, u).pdf(); }

}  // namespace panecard::drawings
