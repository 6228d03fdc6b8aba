// A film layout to scale in a box of a page, for its own drawing and for the job sheet.
#pragma once

#include "drawings/drawings.h"
#include "drawings/sheet.h"

namespace panecard::drawings {

/// The strip lies along x in the middle of the box, with its length and width and a number in every
/// piece: its place in layout.pieces, from 1.
/// @return  1 : this
double draw_layout_picture(Sheet& sheet, const Ruler& ruler, const report::StripOf& of, Units units,
                           PagePoint top_left, PagePoint bottom_right);

/// 1 : this for all strips of a layout alike, within the width.
double scale_of_strips(const film::FilmLayout& layout, double width);
/// What draw_layout_picture() needs to draw a strip to that scale.
double height_of_strip(const film::FilmStrip& strip, double one_to);

}  // namespace panecard::drawings
