#include "drawings/true_print.h"

#include "drawings/style.h"
#include "drawings/wording.h"

namespace panecard::drawings {

PaperSize size_of(Paper paper) {
  return paper == Paper::a4 ? PaperSize{210, 297} : PaperSize{215.9, 279.4};
}

std::optional<Error> wrong_bar(double printed_bar_mm) {
  constexpr double kLeastBar = 97;
  constexpr double kMostBar = 103;
  if (printed_bar_mm >= kLeastBar && printed_bar_mm <= kMostBar) return std::nullopt;
  return Error{Code::bad_usage, "a check bar of " + fixed(printed_bar_mm, 1) +
                                    " mm is outside 97 to 103 mm: the page was fitted to the "
                                    "paper; print it again at 100 %"};
}

void draw_check_bar(Sheet& sheet, const TruePrint& truth, PagePoint middle) {
  const Pen pen{style::kInk, 0.2};
  const double left = middle.x - kCheckBar / 2;
  Path bar;
  bar.move(truth({left, middle.y})).line(truth({left + kCheckBar, middle.y}));
  for (int mm = 0; mm <= static_cast<int>(kCheckBar); mm += 10) {
    const double tick = mm % 100 == 0 ? 2.2 : mm % 50 == 0 ? 1.4 : 0.8;
    bar.move(truth({left + mm, middle.y - tick})).line(truth({left + mm, middle.y + tick}));
  }
  sheet.begin_group("check-bar");
  sheet.stroke(bar, pen);
  sheet.text(truth({left + kCheckBar + 2.5, middle.y + 0.9}), "100 mm",
             {truth(2.6), style::kInk, Anchor::start});
  sheet.text(truth({left - 2.5, middle.y + 0.9}), "measure this",
             {truth(2.6), style::kQuiet, Anchor::end});
  sheet.end_group();
}

}  // namespace panecard::drawings
