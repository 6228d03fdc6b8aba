// Compares a measured outline with what it should be: a rectangle, a size, another outline.
//
// Frame   the outline's own, mm, y up. "Top", "left" and the clock follow the photo's upright.
// Method  robust least squares; its linear response propagates the full covariance (JCGM 100:2008,
//         5.1 and 5.2) to every figure. u95 is expanded, k = 2. Choices: docs/check.md.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include "base/base.h"
#include "geom/geom.h"
#include "outline/outline.h"

namespace panecard::check {

using outline::Dimension;

/// A measured outline with its covariance.
struct Shape {
  Contour contour;
  std::vector<double> u95_mm;  ///< per point, normal to the curve
  /// False: only u95_mm is known. Then every u95 assumes the worst possible correlation and is an
  /// upper bound.
  bool sources_known = true;
};

/// Yes and no are proven beyond the uncertainty (ISO 14253-1); else cannot_tell.
enum class Verdict { yes, no, cannot_tell };

struct Value {
  std::string name;
  Dimension size;          ///< mm, angles in degrees
  SourceName main_source;  ///< the source that makes most of u95; an empty text: not known
};

/// Of a four-sided outline. Widths, heights and diagonals are between the sharp corners, where the
/// lines of the sides meet; the rounded glass ends before them.
enum Measurand {
  width_bottom,
  width_top,
  height_left,
  height_right,
  diagonal_rising,    ///< lower left to upper right
  diagonal_falling,   ///< upper left to lower right
  out_of_square,      ///< mm over the height: positive when the upright sides lean to the right
  out_of_square_deg,  ///< the same as an angle
  wider_at_top,       ///< width at the top less width at the bottom
  higher_at_right,
  bow_bottom,  ///< depth of a side's bow over its length, positive outwards
  bow_right,
  bow_top,
  bow_left,
  straight_bottom,  ///< from the highest to the lowest point about the side's line (ISO 1101)
  straight_right,
  straight_top,
  straight_left,
  fit_width,  ///< of the best rectangle
  fit_height,
  fit_radius,
  kMeasurands
};

struct Rectangle {
  PointMm centre;
  double angle_rad = 0;  ///< of the width, from left to right
  double width_mm = 0, height_mm = 0, radius_mm = 0;
  std::array<PointMm, 4> sharp;  ///< lower left, lower right, upper right, upper left
  std::vector<Value> values;     ///< by Measurand
  PolygonMm points;              ///< the outline, evenly spaced
  std::vector<double> off_mm;    ///< of each from the best rectangle, positive outside
  const Value& operator[](Measurand m) const { return values[m]; }
};

/// Best rectangle with rounded corners, robust least squares over the whole outline, and a robust
/// line through each side.
/// @retval degenerate_shape  the outline has no four sides
Result<Rectangle> fit_rectangle(const Shape& shape);

/// Out of square over the height that does not matter for a film of one piece (common practice).
inline constexpr double kSquareTolerance_mm = 2;

/// yes beyond U95 (ISO 14253-1), which is a false alarm for one true rectangle in twenty; no within
/// U95 if that is at most kSquareTolerance_mm; else cannot_tell, and also where too_bowed() names a
/// side.
Verdict is_out_of_square(const Rectangle& rectangle);

/// The side that bows most, if it does so beyond 99 % and by more than half of what the pane is out
/// of square: then the pane is something other than a rectangle, or its outline strayed.
std::optional<Measurand> too_bowed(const Rectangle& rectangle);

/// Decision after ISO 14253-1 with a guard band of `guard` x U95 inside and outside each limit:
/// 1 is the plain rule, 0.8225 (1.645 / 2) proves at 95 % on one side.
Verdict decide(const Dimension& size, double lower, double upper, double guard = 1);

struct Wanted {
  double width_mm = 0, height_mm = 0, tolerance_mm = 0;
};
struct Decision {
  Value value;
  double lower_mm = 0, upper_mm = 0;
  Verdict verdict = Verdict::cannot_tell;
};
struct Fits {
  Verdict verdict = Verdict::cannot_tell;  ///< no if any is no, yes if all are
  bool turned = false;                     ///< the wanted width was taken for the height
  std::vector<Decision> decisions;  ///< both widths and heights, out of square, the four bows
};
/// @param wanted  finite and positive
Fits fits(const Rectangle& rectangle, const Wanted& wanted);

/// A rectangle to cut before the pane's own outline is trimmed on the glass.
struct Blank {
  PointMm centre;
  double angle_rad = 0;
  double width_mm = 0, height_mm = 0, radius_mm = 0;  ///< whole millimetres
  double least_margin_mm = 0;  ///< from the outline, moved outwards by its U95, to the blank's edge
};
Blank blank_for(const Shape& shape, const Rectangle& rectangle, double oversize_mm);

/// A rigid motion: a turn about the origin, then a shift.
struct Motion {
  double turn_rad = 0;
  PointMm shift;
  PointMm turned(PointMm p) const;
  PointMm operator()(PointMm p) const { return turned(p) + shift; }
};

/// Signed distance of a point to a polygon, and its foot (nearest point) on it.
struct Gap {
  double mm = 0;           ///< positive outside
  PointMm normal;          ///< outwards, of the chord that is nearest
  std::size_t before = 0;  ///< the polygon's point at the start of that chord
  double t = 0;            ///< of the chord, 0 to 1
};
std::vector<Gap> gaps_to(const PolygonMm& polygon, const PolygonMm& points);

/// Registers the points to a polygon, from a start a few degrees off at most: point-to-line ICP
/// (Chen & Medioni 1991) with Tukey's biweight for parts that only one of them has.
Motion register_from(const PolygonMm& points, const PolygonMm& polygon, const Motion& start);
/// The same from 36 start orientations; the registration of least cost.
/// @retval degenerate_shape
Result<Motion> register_multi_start(const PolygonMm& points, const PolygonMm& polygon);

struct Difference {
  double size_mm = 0, u95_mm = 0;  ///< size is positive
  PointMm at;                      ///< in the frame of the second outline
  std::string where;               ///< "top, 1 o'clock" as the second outline's photo stands
};

/// The first outline registered to the second, without scaling.
struct Comparison {
  PolygonMm registered;        ///< the first outline in the frame of the second
  PolygonMm reference;         ///< the second outline
  std::vector<double> off_mm;  ///< per point of `registered`, positive outside `reference`
  std::vector<double> u95_mm;  ///< of off_mm, both outlines together
  Difference gap, overlap;     ///< largest each; overlap: the first reaches beyond the second
  Difference worst_case;       ///< the gap or overlap that is largest with its U95 added
  double rms_mm = 0;
  bool within_u95 = false;  ///< no difference is significant (95 %, all points together)
  Verdict same = Verdict::cannot_tell;  ///< nowhere further apart than the tolerance
};

/// @param mirrored  the first outline is that of a pane seen from the other side
Result<Comparison> compare(const Shape& first, const Shape& second, bool mirrored,
                           double tolerance_mm);

}  // namespace panecard::check
