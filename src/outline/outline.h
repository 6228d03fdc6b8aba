// Fits lines, arcs and free curves to a contour and measures its dimensions, each with its expanded
// uncertainty.
//
// Units   mm, mm2, degrees in dimensions, rad elsewhere; u95 is expanded, k = 2 (JCGM
// 100:2008, 6.2). Method  constrained least squares with BIC model selection; every source of error
// is propagated
//         through the fit. Choices and papers: docs/outline.md.
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
  /// The uncertainty budget: u95 from each of Outline::sources alone. Squares add up to u95
  /// squared.
  std::vector<double> parts;

  Dimension() = default;
  Dimension(double the_value, double the_u95) : value(the_value), u95(the_u95) {}
};

enum class PieceKind { line, arc, free };

/// One piece of the outline, from `first` to `last` (indices into Outline::points, modulo its
/// size).
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

/// Fits the fewest pieces that agree with the contour within its noise, measures, and propagates
/// every mode of the contour to every dimension.
/// @retval degenerate_shape
Result<Outline> fit(const Contour& contour);

/// The action that would reduce the uncertainty of the box's sides most.
struct Advice {
  std::string action;                        ///< "add a card at the far end of the pane"
  std::vector<ErrorSource> sources;          ///< of Outline::sources, what it acts on
  double long_u95_mm = 0, short_u95_mm = 0;  ///< lower bound: if those sources vanished
};
std::optional<Advice> most_helpful(const Outline& o);

/// What a person can do about a source of error; empty where no other photo would help.
std::string remedy_for(const SourceName& source);

/// The outline's points as a contour: every mode of `contour` interpolated at them, and the edge
/// noise, with sigma and correlation length raised to those of the fit's residuals where these are
/// larger.
Contour at_outline_points(const Contour& contour, const Outline& outline);

}  // namespace panecard::outline
