// A cut sheet drawn on a page: SVG and PDF look alike.
#pragma once

#include <string>
#include <vector>

#include "drawings/drawings.h"
#include "drawings/sheet.h"
#include "film/film.h"

namespace panecard::drawings {

/// The film on a page, y down.
struct SheetPlace {
  PagePoint origin;  ///< where the sheet's origin comes to lie
  double scale = 1;
  PagePoint operator()(PointMm p) const { return {origin.x + scale * p.x, origin.y - scale * p.y}; }
};
Path on_page(const film::CutPath& path, const SheetPlace& place);

struct CutWords {
  std::string text;
  film::LabelPlace place;
};
std::vector<CutWords> words_on(const film::CutSheet& sheet);  ///< every label that is not empty

struct CutPens {
  double cut_mm = 0.4, mark_mm = 0.25, film_edge_mm = 0.25;
  std::vector<double> film_edge_dash_mm = {};  ///< not for cutters: some cut each dash
};

/// Groups film-edge, mark (with the words) and cut, of the paths with these indices.
void draw_cut_sheet(Sheet& page, const film::CutSheet& sheet, const std::vector<std::size_t>& which,
                    const std::vector<CutWords>& words, const SheetPlace& place,
                    const CutPens& pens);

}  // namespace panecard::drawings
