#include "drawings/layout_picture.h"

#include <algorithm>
#include <cmath>

#include "drawings/cut_drawing.h"
#include "drawings/drawing_parts.h"
#include "drawings/style.h"
#include "drawings/wording.h"
#include "film/film.h"

namespace panecard::drawings {
namespace {

constexpr double kMmPerInch = 25.4;
constexpr double kBelow = 12, kLeft = 12,
                 kRight = 12;  // of the strip: sizes, and the film going on
constexpr double kDimensionSize = 3.2, kNameSize = 2.3, kLeastNumber = 1.9, kMostNumber = 2.8;

struct Picture {
  Sheet& sheet;
  const Ruler& ruler;
  const film::FilmStrip& strip;
  Units units;
  film::CutSheet cuts;  ///< drawn to scale already, so that labels are sized for the page
  SheetPlace on_sheet;
  double scale;
  PagePoint low, high;  ///< of the strip: top left, bottom right
};

film::CutSheet scaled(film::CutSheet sheet, double scale) {
  sheet.length_mm *= scale, sheet.width_mm *= scale;
  for (film::CutPath& path : sheet.paths) {
    for (ArcVertex& v : path.vertices) v.at = scale * v.at;
  }
  return sheet;
}

std::string number_of(const film::LaidCopy& c) { return std::to_string(c.piece + 1); }

/// Film that is not used goes on to the right.
void draw_film(const Picture& p) {
  constexpr double kGoesOn = 8;
  Path film, on;
  film.rectangle(p.low, p.high.x - p.low.x, p.high.y - p.low.y);
  p.sheet.begin_group("film");
  p.sheet.fill(film, style::kRulePale);
  if (p.strip.rest.length_mm > 0 || p.strip.film.length_mm == 0) {
    for (const double y : {p.low.y, p.high.y}) on.move({p.high.x, y}).line({p.high.x + kGoesOn, y});
    p.sheet.stroke(on, {style::kQuiet, 0.2, {1.6, 1.0}});
  }
  p.sheet.stroke(film, {style::kQuiet, 0.25});
  p.sheet.end_group();
}

void draw_largest_within(const Picture& p) {
  const layout::Rectangle& r = p.strip.largest_within;
  if (r.length_mm <= 0) return;
  const PagePoint corner = p.on_sheet(p.scale * PointMm{r.low.x, r.low.y + r.width_mm});
  const double length = p.scale * r.length_mm, width = p.scale * r.width_mm;
  Path frame;
  frame.rectangle(corner, length, width);
  p.sheet.begin_group("worth-keeping");
  p.sheet.fill(frame, style::kPaper);
  p.sheet.stroke(frame, {style::kQuiet, 0.2, {0.8, 0.8}});
  const std::string words = "keep";
  if (std::max(length, width) > p.ruler.width_mm(words, 2.4) + 1 && std::min(length, width) > 3.2) {
    const bool turn = width > length;
    const PagePoint middle = corner + PagePoint{length / 2, width / 2};
    p.sheet.text(turn ? middle + PagePoint{0.86, 0} : middle + PagePoint{0, 0.86}, words,
                 {2.4, style::kQuiet, Anchor::middle, false, turn ? -90.0 : 0.0});
  }
  p.sheet.end_group();
}

void draw_pieces(const Picture& p) {
  p.sheet.begin_group("pieces");
  for (const film::CutPath& path : p.cuts.paths) {
    if (path.kind == film::CutKind::film_edge) continue;
    const Path shape = on_page(path, p.on_sheet);
    p.sheet.fill(shape, style::kAccentPale);
    p.sheet.stroke(shape, {style::kAccent, 0.35});
  }
  p.sheet.end_group();
}

/// Number and name where they can be read, else the number.
void draw_labels(const Picture& p) {
  film::CutSheet named = p.cuts, numbered = p.cuts;
  for (std::size_t i = 1; i < p.cuts.paths.size(); ++i) {
    const std::string number = number_of(p.strip.copies[i - 1]);
    named.paths[i].label = number + "  " + p.cuts.paths[i].label;
    numbered.paths[i].label = number;
  }
  const std::vector<CutWords> names = words_on(named), numbers = words_on(numbered);
  p.sheet.begin_group("labels");
  for (std::size_t i = 0; i < names.size(); ++i) {
    const bool has_room = names[i].place.height_mm >= kNameSize;
    const CutWords& words = has_room ? names[i] : numbers[i];
    const double size =
        has_room ? kNameSize : std::clamp(words.place.height_mm, kLeastNumber, kMostNumber);
    p.sheet.text(p.on_sheet(words.place.middle) + PagePoint{0, 0.36 * size}, words.text,
                 {size, style::kInk, Anchor::middle});
  }
  p.sheet.end_group();
}

void draw_sizes(const Picture& p) {
  const PagePoint low = p.low, high = p.high;
  const double y = high.y + 6, x = low.x - 6;
  p.sheet.begin_group("size");
  draw_dimension_line(p.sheet, {low.x, y}, {high.x, y}, {low.x, high.y}, high);
  draw_dimension_line(p.sheet, {x, high.y}, {x, low.y}, {low.x, high.y}, low);
  const TextStyle style{kDimensionSize, style::kInk, Anchor::middle};
  const std::string length = say_film_length(p.strip.length_mm, p.units);
  const double middle = std::max((low.x + high.x) / 2, low.x + p.ruler.width_mm(length, 3.2) / 2);
  p.sheet.text({middle, y + 4.4}, length, style);
  TextStyle turned = style;
  turned.turn_deg = -90;
  p.sheet.text({x - 1.6, (low.y + high.y) / 2}, say_film_length(p.strip.film.width_mm, p.units),
               turned);
  p.sheet.end_group();
}

}  // namespace

double scale_of_strips(const film::FilmLayout& layout, double width) {
  const double highest = layout.strips.size() > 1 ? 66 : 88;
  double least = 0;
  for (const film::FilmStrip& strip : layout.strips) {
    least = std::max(
        {least, strip.length_mm / (width - kLeft - kRight), strip.film.width_mm / highest});
  }
  return drawn_scale(least);
}

double height_of_strip(const film::FilmStrip& strip, double one_to) {
  constexpr double kRounding = 0.01;
  return strip.film.width_mm / one_to + kBelow + kRounding;
}

double draw_layout_picture(Sheet& sheet, const Ruler& ruler, const report::StripOf& of, Units units,
                           PagePoint top_left, PagePoint bottom_right) {
  const film::FilmStrip& strip = of.strip;
  const PagePoint room = bottom_right - top_left - PagePoint{kLeft + kRight, kBelow};
  const double one_to =
      drawn_scale(std::max(strip.length_mm / room.x, strip.film.width_mm / room.y));
  const double scale = 1 / one_to;
  const double length = scale * strip.length_mm, width = scale * strip.film.width_mm;
  const PagePoint low{top_left.x + kLeft + (room.x - length) / 2, top_left.y};
  const Picture picture{sheet,
                        ruler,
                        strip,
                        units,
                        scaled(sheet_of(of.layout, strip), scale),
                        {{low.x, low.y + width}},
                        scale,
                        low,
                        low + PagePoint{length, width}};
  draw_film(picture);
  draw_largest_within(picture);
  draw_pieces(picture);
  draw_labels(picture);
  draw_sizes(picture);
  return one_to;
}

}  // namespace panecard::drawings
