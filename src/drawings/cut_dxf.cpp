#include <numbers>

#include "drawings/drawings.h"
#include "drawings/dxf_writer.h"
#include "drawings/wording.h"
#include "film/film.h"

namespace panecard::drawings {
namespace {

const char* layer_of(film::CutKind kind) {
  switch (kind) {
    case film::CutKind::cut:
      return "CUT";
    case film::CutKind::mark:
      return "MARK";
    case film::CutKind::film_edge:
      return "FILM_EDGE";
  }
  return "0";
}

}  // namespace

Result<std::string> to_cut_dxf(const film::CutSheet& sheet) {
  if (const std::optional<Error> wrong = wrong_with(sheet)) return *wrong;
  // Bulges beyond half a turn are allowed, yet some readers draw the smaller arc.
  constexpr double kMostSweep = 0.98 * std::numbers::pi;
  DxfWriter w;
  w.header({"panecard cut sheet, mm: " + ascii(sheet.title, 200)}, {0, 0},
           {sheet.length_mm, sheet.width_mm});
  w.tables({{"CUT", 30, "CONTINUOUS"}, {"MARK", 5, "CONTINUOUS"}, {"FILM_EDGE", 8, "DASHED"}});
  w.begin_entities();
  const std::vector<int> around = nesting(sheet);
  for (std::size_t i = 0; i < sheet.paths.size(); ++i) {
    const film::CutPath& path = sheet.paths[i];
    const char* layer = layer_of(path.kind);
    if (path.vertices.size() > 1) w.polyline(layer, split_arcs(path, kMostSweep), path.closed);
    if (path.label.empty()) continue;
    const film::LabelPlace place = label_place(sheet, around, i);
    w.centred_text(layer_of(film::CutKind::mark), place.middle, place.height_mm,
                   ascii(path.label, 80));
  }
  return w.finish();
}

}  // namespace panecard::drawings
