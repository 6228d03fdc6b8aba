#include "drawings/job_pictures.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "drawings/curve.h"
#include "drawings/cut_drawing.h"
#include "drawings/drawing_parts.h"
#include "drawings/labels.h"
#include "drawings/style.h"
#include "drawings/wording.h"
#include "film/film.h"

namespace panecard::drawings {
namespace {

constexpr double kDegrees = 180 / std::numbers::pi;
constexpr double kDimensionRoom = 9, kDimensionGap = 5, kEdge = 2;
constexpr double kLabelSize = 2.4, kDimensionSize = 2.8;
constexpr double kCrossLine = 40;
constexpr std::size_t kMostLabels = 40;

/// Room for the picture itself: dimension lines stand left of it and below.
PageBox inner(const PageBox& box) {
  return {box.top_left + PagePoint{kDimensionRoom, kEdge}, box.width - kDimensionRoom - kEdge,
          box.height - kDimensionRoom - kEdge};
}

/// From low to high on the page: its width below and its height on the left.
void draw_sizes(Sheet& sheet, PagePoint low, PagePoint high, const std::string& width,
                const std::string& height) {
  const double y = high.y + kDimensionGap, x = low.x - kDimensionGap;
  draw_dimension_line(sheet, {low.x, y}, {high.x, y}, {low.x, high.y}, high);
  draw_dimension_line(sheet, {x, high.y}, {x, low.y}, {low.x, high.y}, low);
  const double middle_x = (low.x + high.x) / 2, middle_y = (low.y + high.y) / 2;
  sheet.text({middle_x, y + 3.4}, width, {kDimensionSize, style::kInk, Anchor::middle});
  sheet.text({x - 1.3, middle_y}, height,
             {kDimensionSize, style::kInk, Anchor::middle, false, -90});
}

/// Half the way along a line on the page.
LinePoint middle_of(const std::vector<PagePoint>& line) {
  double total = 0;
  const auto step = [&](std::size_t i) {
    return std::hypot(line[i].x - line[i - 1].x, line[i].y - line[i - 1].y);
  };
  for (std::size_t i = 1; i < line.size(); ++i) total += step(i);
  double left = total / 2;
  for (std::size_t i = 1; i < line.size(); ++i) {
    const double length = step(i);
    if (left <= length && length > 0) {
      const PagePoint along = (1 / length) * (line[i] - line[i - 1]);
      return {line[i - 1] + left * along, along};
    }
    left -= length;
  }
  return {line.front(), {1, 0}};
}

/// Inside the line, as near as there is room; nothing where there is none.
void label_line(Sheet& sheet, const Ruler& ruler, LabelField& field,
                const std::vector<PagePoint>& line, const std::string& words, bool bold) {
  const LinePoint point = middle_of(line);
  const PagePoint in{point.along.y, -point.along.x};  // the outline runs counter-clockwise
  Label best;
  double least = kCrossLine;
  for (const double off : {0.0, 1.2, 2.4}) {
    Label label;
    label.width = ruler.width_mm(words, kLabelSize, bold);
    label.height = kLabelSize;
    label.turn_deg = upright_deg(std::atan2(point.along.y, point.along.x) * kDegrees);
    label.centre = point.at + (label.height / 2 + 1.3 + off) * in;
    const double cost = field.cost(label) + off;
    if (cost >= least) continue;
    least = cost;
    best = label;
  }
  if (least >= kCrossLine) return;
  const double a = best.turn_deg / kDegrees;
  const PagePoint down{-std::sin(a), std::cos(a)};
  sheet.text(best.centre + 0.36 * kLabelSize * down, words,
             {kLabelSize, style::kInk, Anchor::middle, bold, best.turn_deg});
  field.add_label(best);
}

void block(LabelField& field, const std::vector<PagePoint>& line) {
  for (std::size_t i = 0; i < line.size(); ++i) {
    field.add_line(line[i], line[(i + 1) % line.size()], kCrossLine);
  }
}

void draw_outline(Sheet& sheet, const outline::Outline& o, const std::vector<PagePoint>& at) {
  const std::size_t n = at.size();
  const bool known = o.seen.size() == n;
  Path seen, bridged;
  bool in_seen = false, in_bridged = false;
  for (std::size_t i = 0; i < n; ++i) {
    const bool is_seen = !known || (o.seen[i] && o.seen[(i + 1) % n]);
    Path& path = is_seen ? seen : bridged;
    bool& open = is_seen ? in_seen : in_bridged;
    if (!open) path.move(at[i]);
    open = true;
    (is_seen ? in_bridged : in_seen) = false;
    path.line(at[(i + 1) % n]);
  }
  if (bridged.steps().empty()) seen.close();
  sheet.stroke(seen, {style::kAccent, 0.4});
  sheet.stroke(bridged, {style::kAccent, 0.4, {1.3, 1}});
}

std::vector<PagePoint> stretch(const std::vector<PagePoint>& at, std::size_t first,
                               std::size_t last) {
  std::vector<PagePoint> out = {at[first]};
  for (std::size_t i = first; i != last;) {
    i = (i + 1) % at.size();
    out.push_back(at[i]);
  }
  return out;
}

/// Stands the smallest box square, as nearly as in the photo beside it: by the rotation of the best
/// similarity from the outline to its pixels (Umeyama 1991, in the plane).
double upright_turn(const outline::Outline& o) {
  double along = 0, across = 0;
  if (o.points_px.size() == o.points.size() && !o.points.empty()) {
    PointMm mean_px;
    for (const PointPx p : o.points_px) mean_px = mean_px + PointMm{p.x, -p.y};
    mean_px = (1 / static_cast<double>(o.points_px.size())) * mean_px;
    for (std::size_t i = 0; i < o.points.size(); ++i) {
      const PointMm px = PointMm{o.points_px[i].x, -o.points_px[i].y} - mean_px;
      along += dot(o.points[i], px);
      across += cross(o.points[i], px);
    }
  }
  const double as_seen = std::atan2(across, along);
  return as_seen - std::remainder(o.box.angle_rad + as_seen, std::numbers::pi / 2);
}

/// An arrow in the middle that lies along the roll.
void draw_roll_way(Sheet& sheet, PagePoint low, PagePoint high, bool upright) {
  const PagePoint centre = 0.5 * (low + high);
  const PagePoint along = upright ? PagePoint{0, -1} : PagePoint{1, 0};
  const PagePoint across{along.y, -along.x};
  const double reach = std::min(6.0, 0.2 * (upright ? high.y - low.y : high.x - low.x));
  Path arrow;
  arrow.move(centre - reach * along).line(centre + reach * along);
  for (const double end : {-1.0, 1.0}) {
    const PagePoint tip = centre + end * reach * along;
    arrow.move(tip - end * 1.4 * along + 0.7 * across).line(tip);
    arrow.line(tip - end * 1.4 * along - 0.7 * across);
  }
  sheet.stroke(arrow, {style::kQuiet, 0.25, {}, true});
}

}  // namespace

double draw_pane(Sheet& sheet, const Ruler& ruler, const PageBox& box, const model::Measurement& m,
                 Units u) {
  const outline::Outline& o = m.outline;
  const double turn = upright_turn(o);
  const bool lying = std::abs(std::cos(o.box.angle_rad + turn)) > 0.5;
  const double width = lying ? o.box.long_mm : o.box.short_mm;
  const double height = lying ? o.box.short_mm : o.box.long_mm;
  const PageBox room = inner(box);
  const double one_to = drawn_scale(std::max(width / room.width, height / room.height));
  Placement place;
  place.turn_rad = turn;
  place.scale = 1 / one_to;
  place.origin = room.middle() - place(o.box.centre);
  std::vector<PagePoint> at;
  for (const PointMm p : o.points) at.push_back(place(p));
  const PagePoint half{width / one_to / 2, height / one_to / 2};
  const PagePoint low = room.middle() - half, high = room.middle() + half;

  sheet.begin_group("pane");
  Path frame;
  frame.rectangle(low, high.x - low.x, high.y - low.y);
  sheet.stroke(frame, {style::kRule, 0.15, {2, 1.2}});
  const auto said = [u](const outline::Dimension& d) {
    return say_length(d, u).both() + " " + length_unit(u);
  };
  draw_sizes(sheet, low, high, said(lying ? o.long_mm : o.short_mm),
             said(lying ? o.short_mm : o.long_mm));
  draw_outline(sheet, o, at);
  LabelField field(box.top_left, box.top_left + PagePoint{box.width, box.height});
  block(field, at);
  std::size_t labels = 0;
  for (const bool corner : {false, true}) {
    for (const outline::Piece& p : o.pieces) {
      if (p.corner != corner || p.first == p.last || ++labels > kMostLabels) continue;
      label_line(sheet, ruler, field, stretch(at, p.first, p.last), short_name(p.name), !corner);
    }
  }
  sheet.end_group();
  return one_to;
}

double scale_of_pieces(const std::vector<film::FilmPiece>& pieces, double width, double height) {
  const PageBox room = inner({{}, width, height});
  double least = 1;
  for (const film::FilmPiece& piece : pieces) {
    const PointMm size = size_of_piece(piece);
    least = std::max({least, size.x / room.width, size.y / room.height});
  }
  return drawn_scale(least);
}

void draw_piece(Sheet& sheet, const Ruler& ruler, const PageBox& box, const film::FilmPiece& piece,
                double one_to, Units u) {
  const film::CutPath cut{film::CutKind::cut, piece.arcs, true, "", -1};
  const Extent extent = extent_of(cut);
  SheetPlace place;
  place.scale = 1 / one_to;
  const PagePoint middle = place(0.5 * (extent.low + extent.high));
  place.origin = inner(box).middle() - middle;
  const PagePoint low = place({extent.low.x, extent.high.y});
  const PagePoint high = place({extent.high.x, extent.low.y});

  sheet.begin_group("piece");
  const auto said = [u](double mm) {
    constexpr double kMmPerInch = 25.4;
    return (u == Units::mm ? fixed(mm, 1) : fixed(mm / kMmPerInch, 2)) + " " + length_unit(u);
  };
  draw_sizes(sheet, low, high, said(extent.size().x), said(extent.size().y));
  sheet.stroke(on_page(cut, place), {style::kAccent, 0.4});
  std::vector<PagePoint> at;
  for (const PointMm p : piece.cut) at.push_back(place(p));
  LabelField field(box.top_left, box.top_left + PagePoint{box.width, box.height});
  block(field, at);
  std::vector<std::string> told;
  for (const film::FilmSide& side : piece.sides) {
    const bool again = std::find(told.begin(), told.end(), side.name) != told.end();
    if (again || side.first == side.last || told.size() == kMostLabels) continue;
    told.push_back(side.name);
    label_line(sheet, ruler, field, stretch(at, side.first, side.last),
               say_amount(side.allowance_mm, u), false);
  }
  if (piece.along != "any") draw_roll_way(sheet, low, high, piece.along == "upright");
  sheet.end_group();
}

double height_of_piece(const film::FilmPiece& piece, double one_to) {
  return size_of_piece(piece).y / one_to + kDimensionRoom + kEdge;
}

void place_photo(Sheet& sheet, const PageBox& box, const JobPhoto& photo) {
  const double scale = std::min(box.width / photo.width_px, box.height / photo.height_px);
  const double width = scale * photo.width_px, height = scale * photo.height_px;
  sheet.picture(box.middle() - PagePoint{width / 2, height / 2}, width, height, photo);
}

}  // namespace panecard::drawings
