#include "drawings/cut_drawing.h"

#include "drawings/style.h"
#include "drawings/wording.h"

namespace panecard::drawings {

std::vector<CutWords> words_on(const film::CutSheet& sheet) {
  std::vector<CutWords> out;
  const std::vector<int> around = nesting(sheet);
  for (std::size_t i = 0; i < sheet.paths.size(); ++i) {
    if (sheet.paths[i].label.empty()) continue;
    out.push_back({clean(sheet.paths[i].label, 80), label_place(sheet, around, i)});
  }
  return out;
}

void draw_cut_sheet(Sheet& page, const film::CutSheet& sheet, const std::vector<std::size_t>& which,
                    const std::vector<CutWords>& words, const SheetPlace& place,
                    const CutPens& pens) {
  struct Look {
    film::CutKind kind;
    const char* group;
    Pen pen;
  };
  const Look looks[] = {{film::CutKind::film_edge,
                         "film-edge",
                         {style::kRule, pens.film_edge_mm, pens.film_edge_dash_mm}},
                        {film::CutKind::mark, "mark", {style::kQuiet, pens.mark_mm}},
                        {film::CutKind::cut, "cut", {style::kAccent, pens.cut_mm}}};
  for (const Look& look : looks) {
    page.begin_group(look.group);
    for (const std::size_t i : which) {
      const film::CutPath& path = sheet.paths[i];
      if (path.kind == look.kind && path.vertices.size() > 1) {
        page.stroke(on_page(path, place), look.pen);
      }
    }
    for (std::size_t i = 0; look.kind == film::CutKind::mark && i < words.size(); ++i) {
      // Capitals and digits stand about 0.72 of the size above the baseline.
      const double size = place.scale * words[i].place.height_mm;
      page.text(place(words[i].place.middle) + PagePoint{0, 0.36 * size}, words[i].text,
                {size, style::kQuiet, Anchor::middle});
    }
    page.end_group();
  }
}

Path on_page(const film::CutPath& path, const SheetPlace& place) {
  Path out;
  const std::vector<film::Leg> all = legs(path);
  if (all.empty()) return out;
  out.move(place(all.front().start));
  for (const film::Leg& leg : all) {
    if (leg.radius_mm == 0) {
      out.line(place(leg.end));
      continue;
    }
    const double parts =
        std::ceil(std::abs(leg.sweep_rad) / film::most_sweep_rad(leg.radius_mm) - 1e-9);
    for (int k = 1; k <= static_cast<int>(parts); ++k) {
      out.arc(place(leg.centre), place(leg.at(k / parts)), leg.sweep_rad < 0);
    }
  }
  if (path.closed) out.close();
  return out;
}

}  // namespace panecard::drawings
