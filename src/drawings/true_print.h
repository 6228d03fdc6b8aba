// Pages that come off the printer at true size.
#pragma once

#include <optional>
#include <string>

#include "drawings/drawings.h"
#include "drawings/sheet.h"

namespace panecard::drawings {

inline constexpr double kCheckBar = 100;

struct PaperSize {
  double width, height;
};
PaperSize size_of(Paper paper);  ///< upright

/// A check bar that no printer at 100 % prints.
std::optional<Error> wrong_bar(double printed_bar_mm);

/// Maps true millimetres to what the file must say so that this printer makes them true; the page's
/// centre stays.
class TruePrint {
 public:
  TruePrint(double printed_bar_mm, double page_width, double page_height)
      : factor_(kCheckBar / printed_bar_mm), centre_{page_width / 2, page_height / 2} {}
  PagePoint operator()(PagePoint p) const { return centre_ + factor_ * (p - centre_); }
  double operator()(double length) const { return factor_ * length; }

 private:
  double factor_;
  PagePoint centre_;
};

void draw_check_bar(Sheet& sheet, const TruePrint& truth, PagePoint middle);

}  // namespace panecard::drawings
