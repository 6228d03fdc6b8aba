// Sheets made up for the tests of the cut files, the exact curves they stand for by arithmetic that
// shares nothing with src/, and how far apart two curves are.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "film/film.h"

namespace panecard::sample {

/// 1200 x 900 mm: a pane with rounded corners and a round hole in it, a half disc, an arc over 180
/// deg, an edge of 4 m radius, an open slit, a mark, a label alone and the film's edge.
film::CutSheet cut_sheet();

/// Random shapes in a grid: straight and arched edges, holes, hostile labels.
film::CutSheet random_cut_sheet(std::uint32_t seed);

film::CutPath rectangle(PointMm low, PointMm high, film::CutKind kind = film::CutKind::cut);
film::CutPath circle(PointMm centre, double radius_mm);  ///< two half turns

}  // namespace panecard::sample

namespace panecard::outside {

using Line = std::vector<PointMm>;  ///< open: a closed curve repeats its start

/// Points on the path, each arc through its two ends and the top that its bulge defines: DXF
/// Reference, group 42, "the tangent of one fourth the included angle"; so sagitta = bulge times
/// half the chord, to the right of the way when positive.
Line exact(const film::CutPath& path, double step_mm);

double off(PointMm p, const Line& line);  ///< distance to the nearest chord
double apart(const Line& points, const std::vector<Line>& lines);  ///< worst of off() to any line
double length_of(const Line& line);

/// Stroked lines of one colour in an SVG that Cairo wrote (rsvg-convert -f svg, pdftocairo -svg),
/// in the picture's units times `scale`. Curves come as chords of 1/128 of each cubic.
std::vector<Line> lines_in_cairo_svg(const std::string& svg, const std::string& colour,
                                     double scale);
/// How Cairo writes a colour in SVG: "rgb(87.84%,32.94%,4.31%)" with two decimals each.
std::string cairo_colour(int r, int g, int b);

}  // namespace panecard::outside
