// Turns an outline into the cut line of a film piece.
//
// Frame   the outline's own, mm, y up, counter-clockwise. Allowances are positive outwards.
// Method  the true offset curve of every side, joined at the corners; self-intersections are
// removed
//         by winding number (Chen & McMains 2005). Choices: docs/pattern.md.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "base/base.h"
#include "check/check.h"
#include "geom/geom.h"
#include "outline/outline.h"

namespace panecard::pattern {

/// A part of a closed line: points `first` to `last`, both included, in the line's direction.
struct Side {
  std::string name;   ///< "edge 3" as drawn; of an outline without pieces the same as `where`
  std::string where;  ///< "top", "left", "bottom", "right": where its outward normal points
  std::size_t first = 0, last = 0;
};

/// A closed line divided up. corners[k] lies between sides[k] and the next one; where it is sharp,
/// or where the line runs on smoothly, its first is its last. A corner's `where` is "top left" and
/// so on, its name as drawn ("corner A") or else the same. A line that is all one side has none.
struct Division {
  std::vector<Side> sides, corners;
};

/// A measured outline and what is known of it.
struct Pane {
  PolygonMm outline;
  std::vector<double> u95_mm;  ///< per point, normal to the curve; empty: not known
  Division division;
};

/// Divides by where the outline turns and which way it faces; with `pieces` as the drawing does.
/// @param up  which way is up on the pane
/// @retval degenerate_shape  see make_piece
Result<Pane> divide(PolygonMm outline, std::vector<double> u95_mm,
                    std::vector<outline::Piece> pieces = {}, PointMm up = {0, 1});

/// What is up in the photo, a unit vector on the pane; {0, 1} where no pixels tell.
PointMm up_in_photo(const check::Shape& shape);

/// The same for what a result file holds; up is what is up in the photo.
Result<Pane> divide(const check::Shape& shape, std::vector<outline::Piece> pieces = {});

struct Allowance {
  std::string side;  ///< a side's name or where it is; as drawn goes before where it is
  double mm = 0;
  bool cover = false;  ///< the largest U95 of the side is added, so that the piece reaches so far
};

struct CornerCut {
  std::string corner;  ///< its name or where it is; empty: every corner
  double mm = 0;
};

/// Instead of the offset curve: the smallest rectangle around the outline, in its own axes.
struct Oversize {
  double mm = 0;  ///< beyond the outline on every side
  double radius_mm = 0;
  bool cover = false;  ///< the outline is first moved outwards by its U95
};

struct Request {
  Allowance rest;  ///< of every side that is not named
  std::vector<Allowance> sides;
  std::vector<CornerCut> roundings;  ///< radius, at least
  std::vector<CornerCut> reliefs;    ///< straight cut, so far along both sides from the corner
  std::optional<Oversize> oversize;  ///< then sides and rest do not count
  bool mirrored = false;             ///< the twin for the pane on the vehicle's other side
};

struct CutSide {
  Side side;                ///< indices into Piece::cut
  double allowance_mm = 0;  ///< with u95_added_mm
  double u95_added_mm = 0;
};

struct Piece {
  PolygonMm cut;  ///< simple, counter-clockwise; chord error at most 0.005 mm
  /// A side whose offset curve vanishes between its neighbours is missing; one that they interrupt
  /// is listed more than once.
  std::vector<CutSide> sides;
  std::vector<ArcVertex> arcs;  ///< the same line within 0.01 mm in few lines and arcs
  double area_mm2 = 0;
  PointMm low, high;  ///< extent
  std::vector<Finding> findings;
};

constexpr double kMostAllowance_mm = 1000;

/// @retval bad_usage         an unknown side or corner, an amount over a metre; allowances that
///                           leave no piece or two of them, with how much would be possible
/// @retval degenerate_shape  the outline crosses itself or has no area, and where
/// @retval too_large         more points or a larger pane than any real one
Result<Piece> make_piece(const Pane& pane, const Request& request);

/// The mirror image (x to -x): left becomes right; still counter-clockwise.
Piece mirrored(Piece piece);

/// A cut line in as few lines and arcs as stay within the tolerance of it.
std::vector<ArcVertex> lines_and_arcs(const PolygonMm& cut, double tolerance_mm);

/// A ready-made request.
struct AllowanceSet {
  std::string name, title, note;
  std::vector<std::string> boundaries;  ///< the outline kinds it is meant for; empty: any
  Request request;
};

/// Reads calib/allowances.json or a shop's own copy of it.
/// @retval unreadable_file  with line and column, the unknown word or the value out of range
Result<std::vector<AllowanceSet>> read_allowances(const std::string& path);

/// "6", "6mm", "0.6cm", "0.25in", "1/4in", "-1 1/2 in" or with " for in; a bare number is mm.
std::optional<double> length_mm(const std::string& text);

}  // namespace panecard::pattern
