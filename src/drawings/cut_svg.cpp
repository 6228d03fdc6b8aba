#include <numeric>

#include "drawings/cut_drawing.h"
#include "drawings/drawings.h"
#include "drawings/wording.h"

namespace panecard::drawings {

Result<std::string> to_cut_svg(const film::CutSheet& sheet) {
  if (const std::optional<Error> wrong = wrong_with(sheet)) return *wrong;
  Sheet page(sheet.length_mm, sheet.width_mm, "Cut sheet, " + clean(sheet.title, 120));
  std::vector<std::size_t> all(sheet.paths.size());
  std::iota(all.begin(), all.end(), std::size_t{0});
  draw_cut_sheet(page, sheet, all, words_on(sheet), {{0, sheet.width_mm}}, {});
  return page.svg();
}

}  // namespace panecard::drawings
