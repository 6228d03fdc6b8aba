// A film layout to scale in a box of a page, for its own drawing and for the job sheet.
#pragma once

#include "formats/formats.h"
#include "formats/sheet.h"

namespace panecard::formats {

/// The strip lies along x in the middle of the box, with its length and width and a number in every
/// piece: its place in layout.pieces, from 1.
/// @return  1 : this
double draw_layout_picture(Sheet& sheet, const Ruler& ruler, const StoredLayout& layout,
                           Units units, PagePoint top_left, PagePoint bottom_right);

/// "4160 mm" or "163.78 in (163 3/4)".
std::string say_film_length(double mm, Units units);
std::string say_film_rectangle(const layout::Rectangle& r, Units units);  ///< along x across
std::string say_film(const StoredLayout& layout, Units units);            ///< name, kind, width
std::string say_waste(const StoredLayout& layout, Units units);
std::string say_cost(double cost, const std::string& currency);
std::string say_rest(const StoredLayout& layout, Units units);   ///< one sentence
std::string say_bound(const StoredLayout& layout, Units units);  ///< how good the layout is

/// Whether a piece fits the width, both ways round.
struct PieceWays {
  std::string level, upright;  ///< across the film, and yes, no or why one cannot tell
};
std::string say_size_u95(const LaidPiece& piece, Units units);
PieceWays say_ways(const LaidPiece& piece, const StoredLayout& layout, Units units);

}  // namespace panecard::formats
