#include "formats/cut_drawing.h"

#include "formats/style.h"
#include "formats/text.h"

namespace panecard::formats {

std::vector<CutWords> words_on(const CutSheet& sheet) {
  std::vector<CutWords> out;
  const std::vector<int> around = nesting(sheet);
  for (std::size_t i = 0; i < sheet.paths.size(); ++i) {
    if (sheet.paths[i].label.empty()) continue;
    out.push_back({clean(sheet.paths[i].label, 80), label_place(sheet, around, i)});
  }
  return out;
}

void draw_cut_sheet(Sheet& page, const CutSheet& sheet, const std::vector<std::size_t>& which,
                    const std::vector<CutWords>& words, const SheetPlace& place,
                    const CutPens& pens) {
  struct Look {
    CutKind kind;
    const char* group;
    Pen pen;
  };
  const Look looks[] = {
      {CutKind::film_edge, "film-edge", {style::kRule, pens.film_edge_mm, pens.film_edge_dash_mm}},
      {CutKind::mark, "mark", {style::kQuiet, pens.mark_mm}},
      {CutKind::cut, "cut", {style::kAccent, pens.cut_mm}}};
  for (const Look& look : looks) {
    page.begin_group(look.group);
    for (const std::size_t i : which) {
      const CutPath& path = sheet.paths[i];
      if (path.kind == look.kind && path.vertices.size() > 1) {
        page.stroke(on_page(path, place), look.pen);
      }
    }
    for (std::size_t i = 0; look.kind == CutKind::mark && i < words.size(); ++i) {
      // Capitals and digits stand about 0.72 of the size above the baseline.
      const double size = place.scale * words[i].place.height_mm;
      page.text(place(words[i].place.middle) + PagePoint{0, 0.36 * size}, words[i].text,
                {size, style::kQuiet, Anchor::middle});
    }
    page.end_group();
  }
}

}  // namespace panecard::formats
