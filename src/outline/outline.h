// Turns a contour into straight edges, arcs and free curves, and the dimensions a person wants,
// each with its 95 % expanded uncertainty.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "base/base.h"
#include "geom/geom.h"

namespace panecard::outline {

struct Dimension {
  double value = 0;
  double u95 = 0;  ///< expanded, k = 2; same unit as the value
  /// u95 if only that source of Outline::sources were off; the squares add up to u95 squared.
  std::vector<double> parts;

  Dimension() = default;
  Dimension(double the_value, double the_u95) : value(the_value), u95(the_u95) {}
};

enum class PieceKind { line, arc, free };

/// One stretch of the outline, from `first` to `last` (indices into Outline::points, wrapping).
struct Piece {
  PieceKind kind = PieceKind::line;
  std::size_t first = 0, last = 0;
  PointMm start, end;                      ///< exact joints
  PointMm centre;                          ///< arc
  double radius_mm = 0;                    ///< arc; positive when it bulges outwards
  double sweep_rad = 0;                    ///< arc; positive counter-clockwise
  std::vector<PointMm> control;            ///< free: cubic Bezier control points, 3 n + 1
  bool corner = false;                     ///< an arc that rounds the corner between two edges
  bool seen = true;                        ///< false when more than half of it was bridged
  std::string name;                        ///< as drawn: "edge 1", "corner A"
  Dimension length_mm, radius, angle_deg;  ///< radius: arcs; angle_deg: corners, between the edges
  Dimension sagitta_mm;  ///< arcs: how far it leaves its chord, outwards positive. Certain where
                         ///< the radius of a nearly straight edge is not
};

struct Outline {
  PolygonMm points;  ///< on the fitted pieces, chord error under 0.05 mm, counter-clockwise
  std::vector<double> u95_mm;  ///< per point, normal
  std::vector<PointPx> points_px;
  std::vector<bool> seen;
  std::vector<Piece> pieces;
  OrientedBox box;
  Dimension long_mm, short_mm;
  Dimension area_mm2, perimeter_mm;
  std::vector<Dimension> diagonals_mm;  ///< two, for a four-sided pane; else empty
  double seen_fraction = 1;
  /// Where uncertainty comes from, each once: the sources of the contour's modes, edge_noise, fit,
  /// and box_choice where another rectangle encloses the pane nearly as closely.
  std::vector<SourceName> sources;
};

/// Fits the pieces (fewest that agree with the contour within its own edge noise), measures, and
/// carries every mode of the contour into every dimension.
/// @retval degenerate_shape
Result<Outline> fit(const Contour& contour);

/// The one action that would make the box's sides most certain.
struct Advice {
  std::string action;                        ///< "add a card at the far end of the pane"
  std::vector<ErrorSource> sources;          ///< of Outline::sources, what it acts on
  double long_u95_mm = 0, short_u95_mm = 0;  ///< if those sources vanished: no photo does better
};
std::optional<Advice> most_helpful(const Outline& o);

/// What a person can do about a source of error; empty where no photo helps.
std::string remedy_for(const SourceName& source);

/// The contour's sources of error at the outline's own points: every mode carried along, and the
/// edge noise, enlarged and lengthened to what the pieces leave over where that is more.
Contour carried(const Contour& contour, const Outline& outline);

}  // namespace panecard::outline
