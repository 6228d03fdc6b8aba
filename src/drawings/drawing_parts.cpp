#include "drawings/drawing_parts.h"

#include <array>
#include <cmath>

#include "drawings/style.h"
#include "drawings/wording.h"

namespace panecard::drawings {

double drawn_scale(double least) {
  // Scales of ISO 5455 and those between them that trade rulers carry.
  constexpr std::array<double, 18> kScales = {1,  2,  2.5, 3,  4,  5,  6,  8,   10,
                                              12, 15, 20,  25, 30, 40, 50, 100, 200};
  for (const double s : kScales) {
    if (s >= least) return s;
  }
  return std::ceil(least / 100) * 100;
}

void draw_dimension_line(Sheet& sheet, PagePoint a, PagePoint b, PagePoint from_a,
                         PagePoint from_b) {
  const auto unit = [](PagePoint p) { return (1 / std::max(std::hypot(p.x, p.y), 1e-9)) * p; };
  const PagePoint along = unit(b - a), out = unit(a - from_a);
  Path lines;
  lines.move(from_a + 1.0 * out).line(a + 1.5 * out);
  lines.move(from_b + 1.0 * out).line(b + 1.5 * out);
  lines.move(a).line(b);
  Path ticks;
  const PagePoint slant = 0.8 * (along - out);
  for (const PagePoint end : {a, b}) ticks.move(end - slant).line(end + slant);
  sheet.stroke(lines, {style::kQuiet, 0.18});
  sheet.stroke(ticks, {style::kInk, 0.4, {}, true});
}

void draw_scale_bar(Sheet& sheet, double scale, Units units, const std::string& where,
                    double right) {
  constexpr std::array<double, 7> kSteps = {1, 2, 5, 10, 20, 50, 100};
  const double unit_mm = units == Units::mm ? 10 : 25.4;
  double steps = 1;
  for (const double s : kSteps) {
    if (s * unit_mm * scale <= 45) steps = s;
  }
  const double width = steps * unit_mm * scale;
  const PagePoint left{12, 191};
  Path bar;
  bar.move(left + PagePoint{0, -1.4}).line(left).line(left + PagePoint{width, 0});
  bar.line(left + PagePoint{width, -1.4});
  sheet.begin_group("scale");
  sheet.stroke(bar, {style::kInk, 0.3});
  sheet.text(
      left + PagePoint{0, 3.6},
      to_text(units == Units::mm ? steps * 10 : steps, 0) + " " + length_unit(units) + " " + where,
      {2.5, style::kQuiet});
  sheet.text({right, 190.4}, "Check against the glass before you cut.",
             {3.4, style::kInk, Anchor::end, true});
  sheet.text({right, 194.6},
             "Blades and broken glass injure; local law decides which panes may carry film.",
             {2.5, style::kQuiet, Anchor::end});
  sheet.end_group();
}

void TextColumn::title(const std::string& words) { say(words, 4, style::kInk, true, 6); }

void TextColumn::line(const std::string& words, bool quiet) {
  say(words, 2.8, quiet ? style::kQuiet : style::kInk, false, 4.2);
}

void TextColumn::row(const std::string& name, const std::string& value) {
  sheet_.text({left_, y}, name, {2.6, style::kInk});
  sheet_.text({right_, y}, value, {2.6, style::kInk, Anchor::end});
  y += 4.2;
}

void TextColumn::say(const std::string& words, double size, Colour colour, bool bold, double step) {
  const auto fits = [&](const std::string& s) {
    return ruler_.width_mm(s, size, bold) <= right_ - left_;
  };
  for (const std::string& part : wrap(words, 6, fits)) {
    sheet_.text({left_, y}, part, {size, colour, Anchor::start, bold});
    y += step;
  }
}

}  // namespace panecard::drawings
