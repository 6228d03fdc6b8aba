// A film layout to scale in a box of a page, for its own drawing and for the job sheet.
#pragma once

#include "formats/formats.h"
#include "formats/sheet.h"

namespace panecard::formats {

/// A strip of a layout.
struct StripOf {
  const StoredLayout& layout;
  const StoredStrip& strip;
};

/// The strip lies along x in the middle of the box, with its length and width and a number in every
/// piece: its place in layout.pieces, from 1.
/// @return  1 : this
double draw_layout_picture(Sheet& sheet, const Ruler& ruler, const StripOf& of, Units units,
                           PagePoint top_left, PagePoint bottom_right);

/// 1 : this for all strips of a layout alike, within the width.
double scale_of_strips(const StoredLayout& layout, double width);
/// What draw_layout_picture() needs to draw a strip to that scale.
double height_of_strip(const StoredStrip& strip, double one_to);

/// "4160 mm" or "163.78 in (163 3/4)".
std::string say_film_length(double mm, Units units);
std::string say_film_rectangle(const layout::Rectangle& r, Units units);  ///< along x across
std::string say_film(const layout::Film& film, Units units);              ///< name, kind, width
/// "strip 2 of 3: " where there are several, else nothing.
std::string say_which(const StoredLayout& layout, std::size_t strip);
std::string say_waste(const StoredStrip& strip, Units units);
std::string say_cost(double cost, const std::string& currency);
/// What all strips cost together; empty where one of them states no price or there is but one.
std::string say_cost_in_all(const StoredLayout& layout);
std::string say_rest(const StoredStrip& strip, Units units);   ///< one sentence
std::string say_bound(const StoredStrip& strip, Units units);  ///< how good the layout is

/// A piece of which copies lie on a strip.
struct PieceHere {
  std::size_t piece = 0;  ///< of layout.pieces
  std::string copies;     ///< "2", or "1 of 2" where the others lie elsewhere
};
std::vector<PieceHere> pieces_on(const StripOf& of);

/// Whether a piece fits the width, both ways round.
struct PieceWays {
  std::string level, upright;  ///< across the film, and yes, no or why one cannot tell
};
std::string say_size_u95(const LaidPiece& piece, Units units);
PieceWays say_ways(const LaidPiece& piece, const StripOf& of, Units units);

}  // namespace panecard::formats
