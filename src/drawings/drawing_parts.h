// What every drawing on an A4 page shares: scales, dimension lines, the scale bar, running text.
#pragma once

#include <string>

#include "drawings/drawings.h"
#include "drawings/sheet.h"

namespace panecard::drawings {

/// 1 : this; the smallest usual one that is at least `least`.
double drawn_scale(double least);

/// From a to b with its two extension lines from the points that are measured.
void draw_dimension_line(Sheet& sheet, PagePoint a, PagePoint b, PagePoint from_a,
                         PagePoint from_b);

/// Below the picture, with what to beware of.
/// @param where  what the bar's length is meant on
/// @param right  where the caution ends
void draw_scale_bar(Sheet& sheet, double scale, Units units, const std::string& where,
                    double right = 206);

/// Text from the top down, wrapped to the column.
class TextColumn {
 public:
  TextColumn(Sheet& sheet, const Ruler& ruler, double left, double right)
      : sheet_(sheet), ruler_(ruler), left_(left), right_(right) {}
  double y = 16;  ///< of the next baseline

  void title(const std::string& words);
  void line(const std::string& words, bool quiet = false);
  void row(const std::string& name, const std::string& value);
  void gap() { y += 2.2; }

 private:
  void say(const std::string& words, double size, Colour colour, bool bold, double step);
  Sheet& sheet_;
  const Ruler& ruler_;
  double left_, right_;
};

}  // namespace panecard::drawings
