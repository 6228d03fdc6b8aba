#include <algorithm>

#include "film/film.h"

namespace panecard::film {
namespace {

CutPath path_of(const FilmPiece& piece) { return {CutKind::cut, piece.arcs, true, piece.name, -1}; }

}  // namespace

LaidPiece laid(const FilmPiece& piece) {
  LaidPiece out;
  out.name = piece.name;
  out.along = piece.along;
  out.copies = piece.copies;
  out.area_mm2 = piece.area_mm2;
  const PointMm size = extent_of(CutPath{CutKind::cut, piece.arcs, true, "", -1}).size();
  out.level_mm = size.x, out.upright_mm = size.y;
  // How two sides' errors go together is not in the file; at worst they add.
  double largest = 0, second = 0;
  for (const FilmSide& s : piece.sides) {
    if (!s.u95_mm) return out;
    const double u95 = std::max(0.0, *s.u95_mm - s.u95_added_mm);
    second = std::max(second, std::min(u95, largest));
    largest = std::max(largest, u95);
  }
  if (!piece.sides.empty()) out.u95_mm = largest + (piece.sides.size() > 1 ? second : largest);
  return out;
}

LaidCopy laid(const FilmPiece& piece, const layout::Placed& placed, std::size_t index, int copy) {
  LaidCopy out{index, copy, placed.turn_deg, placed.mirrored, piece.arcs};
  if (placed.mirrored) {
    // Going round the other way, each arc belongs to the corner that was its end; mirrored and
    // turned back it bends as it did.
    const std::size_t n = piece.arcs.size();
    for (std::size_t i = 0; i < n; ++i) {
      const PointMm at = piece.arcs[n - 1 - i].at;
      out.arcs[i] = {{-at.x, at.y}, piece.arcs[(2 * n - 2 - i) % n].bulge};
    }
  }
  for (ArcVertex& v : out.arcs) v.at = layout::turned(v.at, placed.turn_deg) + placed.shift;
  return out;
}

PolygonMm shape_of(const FilmPiece& piece) {
  constexpr double kChord_mm = 0.005;
  return flatten({CutKind::cut, piece.arcs, true, "", -1}, kChord_mm);
}

FilmPiece twin_of(const FilmPiece& piece) {
  FilmPiece out = piece;
  layout::Placed mirrored;
  mirrored.mirrored = true;
  out.arcs = laid(piece, mirrored, 0, 1).arcs;
  for (PointMm& p : out.cut) p.x = -p.x;
  std::reverse(out.cut.begin(), out.cut.end());
  for (FilmSide& s : out.sides) s.first = s.last = 0;
  return out;
}

CutSheet sheet_of(const FilmLayout& layout, const FilmStrip& strip) {
  CutSheet sheet;
  sheet.title = strip.film.name;
  sheet.length_mm = strip.length_mm;
  sheet.width_mm = strip.film.width_mm;
  const double l = strip.length_mm, w = strip.film.width_mm;
  sheet.paths.push_back(
      {CutKind::film_edge, {{{0, 0}}, {{l, 0}}, {{l, w}}, {{0, w}}}, true, "", -1});
  for (const LaidCopy& c : strip.copies) {
    sheet.paths.push_back({CutKind::cut, c.arcs, true, layout.pieces[c.piece].name, -1});
  }
  return sheet;
}

CutSheet sheet_of(const FilmPiece& piece, double margin_mm) {
  CutPath path = path_of(piece);
  if (piece.along == "upright") {
    for (ArcVertex& v : path.vertices) v.at = {v.at.y, -v.at.x};
  }
  const Extent extent = extent_of(path);
  for (ArcVertex& v : path.vertices) v.at = v.at - extent.low + PointMm{margin_mm, margin_mm};
  CutSheet sheet;
  sheet.title = piece.name;
  sheet.length_mm = extent.size().x + 2 * margin_mm;
  sheet.width_mm = extent.size().y + 2 * margin_mm;
  sheet.paths.push_back(std::move(path));
  return sheet;
}

}  // namespace panecard::film
