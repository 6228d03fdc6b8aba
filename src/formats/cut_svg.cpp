#include "formats/cut_path.h"
#include "formats/formats.h"
#include "formats/sheet.h"
#include "formats/style.h"
#include "formats/text.h"

namespace panecard::formats {

Result<std::string> to_cut_svg(const CutSheet& sheet) {
  if (const std::optional<Error> wrong = wrong_with(sheet)) return *wrong;
  const PagePoint origin{0, sheet.width_mm};
  Sheet page(sheet.length_mm, sheet.width_mm, "Cut sheet, " + clean(sheet.title, 120));
  struct Look {
    CutKind kind;
    const char* group;
    Pen pen;
  };
  // Nothing is dashed: some cutters take a dash for a cut of its own.
  const Look looks[] = {{CutKind::film_edge, "film-edge", {style::kRule, 0.25}},
                        {CutKind::mark, "mark", {style::kQuiet, 0.25}},
                        {CutKind::cut, "cut", {style::kAccent, 0.4}}};
  const std::vector<int> around = nesting(sheet);
  for (const Look& look : looks) {
    page.begin_group(look.group);
    for (const CutPath& path : sheet.paths) {
      if (path.kind != look.kind || path.vertices.size() < 2) continue;
      page.stroke(on_page(path, origin), look.pen);
    }
    for (std::size_t i = 0; look.kind == CutKind::mark && i < sheet.paths.size(); ++i) {
      if (sheet.paths[i].label.empty()) continue;
      const LabelPlace place = label_place(sheet, around, i);
      // Digits and capitals stand about 0.72 of the size above the baseline.
      const double size = place.height_mm;
      page.text({origin.x + place.middle.x, origin.y - place.middle.y + 0.36 * size},
                clean(sheet.paths[i].label, 80), {size, style::kQuiet, Anchor::middle});
    }
    page.end_group();
  }
  return page.svg();
}

}  // namespace panecard::formats
