#include <numbers>

#include "formats/cut_path.h"
#include "formats/dxf_writer.h"
#include "formats/formats.h"
#include "formats/text.h"

namespace panecard::formats {
namespace {

const char* layer_of(CutKind kind) {
  switch (kind) {
    case CutKind::cut:
      return "CUT";
    case CutKind::mark:
      return "MARK";
    case CutKind::film_edge:
      return "FILM_EDGE";
  }
  return "0";
}

}  // namespace

Result<std::string> to_cut_dxf(const CutSheet& sheet) {
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
    const CutPath& path = sheet.paths[i];
    const char* layer = layer_of(path.kind);
    if (path.vertices.size() > 1) w.polyline(layer, split_arcs(path, kMostSweep), path.closed);
    if (path.label.empty()) continue;
    const LabelPlace place = label_place(sheet, around, i);
    w.centred_text(layer_of(CutKind::mark), place.middle, place.height_mm, ascii(path.label, 80));
  }
  return w.finish();
}

}  // namespace panecard::formats
