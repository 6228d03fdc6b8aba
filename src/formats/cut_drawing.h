// A cut sheet drawn on a page: SVG and PDF look alike.
#pragma once

#include <string>
#include <vector>

#include "formats/cut_path.h"
#include "formats/formats.h"
#include "formats/sheet.h"

namespace panecard::formats {

struct CutWords {
  std::string text;
  LabelPlace place;
};
std::vector<CutWords> words_on(const CutSheet& sheet);  ///< every label that is not empty

struct CutPens {
  double cut_mm = 0.4, mark_mm = 0.25, film_edge_mm = 0.25;
  std::vector<double> film_edge_dash_mm = {};  ///< not for cutters: some cut each dash
};

/// Groups film-edge, mark (with the words) and cut, of the paths with these indices.
void draw_cut_sheet(Sheet& page, const CutSheet& sheet, const std::vector<std::size_t>& which,
                    const std::vector<CutWords>& words, const SheetPlace& place,
                    const CutPens& pens);

}  // namespace panecard::formats
