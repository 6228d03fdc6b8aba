// The drawings of a job sheet, each in a box of its page.
#pragma once

#include <vector>

#include "drawings/drawings.h"
#include "drawings/sheet.h"

namespace panecard::drawings {

struct PageBox {
  PagePoint top_left;
  double width = 0, height = 0;
  PagePoint middle() const { return top_left + PagePoint{width / 2, height / 2}; }
};

/// The outline with the names of its edges and the sides of its smallest box; drawn 1 : this.
double draw_pane(Sheet& sheet, const Ruler& ruler, const PageBox& box, const model::Measurement& m,
                 Units u);

/// 1 : this, so that every one of the pieces fits such a box.
double scale_of_pieces(const std::vector<film::FilmPiece>& pieces, double width, double height);
/// The cut line with the allowance of each side.
void draw_piece(Sheet& sheet, const Ruler& ruler, const PageBox& box, const film::FilmPiece& piece,
                double one_to, Units u);

/// What draw_piece() needs for it.
double height_of_piece(const film::FilmPiece& piece, double one_to);

/// Fitted into the box, in its middle.
void place_photo(Sheet& sheet, const PageBox& box, const JobPhoto& photo);

}  // namespace panecard::drawings
