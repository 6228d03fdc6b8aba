// Film pieces, their layout on the roll and the paths that a cutter follows, as values with their
// exact geometry.
//
// Frames   sheet and strip: mm, origin lower left, x along the roll, y up. A piece's own frame has
//          the pane's upright along y.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "base/base.h"
#include "geom/geom.h"
#include "layout/layout.h"

namespace panecard::film {

struct FilmSide {
  std::string name, where;          ///< "edge 3" and "top"; without names on the drawing the same
  std::size_t first = 0, last = 0;  ///< of FilmPiece::cut, going round with it
  double allowance_mm = 0;          ///< outwards, with u95_added_mm
  double u95_added_mm = 0;
  std::optional<double> u95_mm;  ///< largest of the measured outline there
};

/// A film piece as `piece` writes it and `roll` reads it. mm, y up: the pane's upright, seen from
/// the side it was photographed from.
struct FilmPiece {
  std::string name;
  std::string boundary;         ///< "glass", "solid", "dots"
  PolygonMm cut;                ///< simple, counter-clockwise
  std::vector<ArcVertex> arcs;  ///< the same line in few lines and arcs, closed
  /// "any": may be turned by quarter turns; "upright": the pane's upright lies along the roll;
  /// "level": its level does. By half a turn it may always be turned.
  std::string along = "any";
  bool may_mirror = false;  ///< the film may be cut from either face
  std::string film;         ///< which it is cut from: "carbon 35"; empty: not said
  int copies = 1;
  double area_mm2 = 0;
  std::vector<FilmSide> sides;
  std::vector<Finding> findings;
};
constexpr int kMostCopies = 1000;

enum class CutKind { cut, mark, film_edge };
struct CutPath {
  CutKind kind = CutKind::cut;
  std::vector<ArcVertex> vertices;  ///< a mark of one vertex is the place of its label
  bool closed = true;
  std::string label;
  int inside_of = -1;  ///< index of the closed path around it; -1: found from the shapes
};
/// Film from the roll and what is cut out of it. Origin lower left, x along the roll, y up.
struct CutSheet {
  std::string title;
  double length_mm = 0;  ///< along x
  double width_mm = 0;   ///< along y
  std::vector<CutPath> paths;
};

/// Rolls and leftovers at hand, with what the file says of them.
struct Stock {
  std::string currency;  ///< "EUR"; empty: not stated
  std::vector<layout::Film> films;
  std::string bytes;  ///< of the file as it was read
};

/// What a job takes from a film of the stock.
struct Taken {
  std::size_t film = 0;  ///< of Stock::films, each at most once
  double used_mm = 0;
  std::vector<layout::Rectangle> rests;  ///< they come in as new leftovers
};

/// A piece of a layout.
struct LaidPiece {
  std::string name;
  std::string along;  ///< as FilmPiece::along
  int copies = 1;
  double area_mm2 = 0;
  double level_mm = 0, upright_mm = 0;  ///< its extents
  std::optional<double> u95_mm;         ///< the pane may be so much larger or smaller either way
};

/// One copy where it lies, as the knife goes round it, in the frame of layout/layout.h.
struct LaidCopy {
  std::size_t piece = 0;  ///< of FilmLayout::pieces
  int copy = 1;           ///< from 1
  double turn_deg = 0;
  bool mirrored = false;
  std::vector<ArcVertex> arcs;
};

/// What is cut from one roll or leftover.
struct FilmStrip {
  layout::Film film;
  double length_mm = 0;   ///< of film used
  double bound_mm = 0;    ///< no layout of these copies can be shorter
  bool shortest = false;  ///< proven
  double cost = 0;        ///< 0: no price stated
  double waste_mm2 = 0;
  layout::Rectangle rest;            ///< stays on the roll or leftover
  layout::Rectangle largest_within;  ///< worth keeping; 0: nothing is
  std::vector<LaidCopy> copies;
  std::vector<Finding> findings;
};

/// A film layout as `roll` writes it and `job` reads it.
struct FilmLayout {
  std::string currency;
  double gap_mm = 0, edge_mm = 0;
  std::vector<LaidPiece> pieces;
  std::vector<FilmStrip> strips;  ///< one at least
};

/// The piece alone, as its `along` asks for: x along the roll, so far from the edges.
CutSheet sheet_of(const FilmPiece& piece, double margin_mm);

/// The film's edge, labels and cuts of one strip.
CutSheet sheet_of(const FilmLayout& layout, const FilmStrip& strip);
PolygonMm shape_of(const FilmPiece& piece);  ///< its arcs as chords within 5 um
FilmPiece twin_of(const FilmPiece& piece);   ///< x to -x; the sides' places are left out
LaidPiece laid(const FilmPiece& piece);
LaidCopy laid(const FilmPiece& piece, const layout::Placed& placed, std::size_t index, int copy);

// The geometry of cut paths: lines and arcs from corner to corner.

/// What is wrong with a sheet, if anything: counts, sizes, shapes. All below presume nothing is.
std::optional<Error> wrong_with(const CutSheet& sheet);

std::string name_of(const CutSheet& sheet, std::size_t path);  ///< "path 3 (rear left)"

/// The way from one vertex to the next; the radius is 0 where it is straight within 0.1 um.
struct Leg {
  PointMm start, end;
  PointMm centre;
  double radius_mm = 0;
  double start_rad = 0;        ///< direction from the centre to the start
  double sweep_rad = 0;        ///< positive counter-clockwise
  PointMm at(double t) const;  ///< t from 0 to 1
};
/// Without legs of no length; a closed path ends where it starts.
std::vector<Leg> legs(const CutPath& path);

/// The same path with no arc over `most_sweep_rad`.
std::vector<ArcVertex> split_arcs(const CutPath& path, double most_sweep_rad);

/// Chords within chord_mm of the path. A closed path does not repeat its start.
PolygonMm flatten(const CutPath& path, double chord_mm);
std::size_t count_chords(const CutPath& path, double chord_mm);

Extent extent_of(const CutPath& path);        ///< exact, arcs included
double signed_area_mm2(const CutPath& path);  ///< exact, arcs included; of an open path 0

/// Which path lies around each one, the innermost; -1: none.
std::vector<int> nesting(const CutSheet& sheet);

/// Where a path's label stands and how tall it may be.
struct LabelPlace {
  PointMm middle;
  double height_mm = 0;
};
LabelPlace label_place(const CutSheet& sheet, const std::vector<int>& around, std::size_t path);

/// The most that one arc may turn where a reader makes cubics of arcs; larger ones are split.
double most_sweep_rad(double radius_mm);

}  // namespace panecard::film
