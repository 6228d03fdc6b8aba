// Closed outlines of tangent lines and arcs, with exact distances: the truth behind rendered
// scenes.
#pragma once

#include <cstdint>
#include <vector>

#include "geom/geom.h"

namespace panecard::support {

/// A corner of the control polygon, counter-clockwise. The edge that leaves it bulges outwards by
/// `sagitta_mm` (0: straight); `radius_mm` rounds the corner.
struct Vertex {
  PointMm at;
  double radius_mm = 20;
  double sagitta_mm = 0;
};

/// A line (radius 0) or an arc of less than 180 deg, run counter-clockwise around the pane.
struct ShapePiece {
  PointMm start, end;
  PointMm centre;
  double radius_mm = 0;
  double bend = 1;  ///< arc: +1 bulges outwards, -1 inwards
  double arc_start_mm = 0, length_mm = 0;
};

/// Where a point lies against the outline.
struct Place {
  double distance_mm = 0;  ///< positive outside
  PointMm normal;          ///< outward, unit length
  int piece = 0;
};

class PaneShape {
 public:
  explicit PaneShape(const std::vector<Vertex>& vertices);

  const std::vector<ShapePiece>& pieces() const { return pieces_; }
  double perimeter_mm() const { return perimeter_mm_; }

  /// The nearest of the pieces listed; of all when the list is empty.
  Place place(PointMm p, const std::vector<std::uint8_t>& candidates) const;
  Place place(PointMm p) const { return place(p, {}); }
  double arc_length_mm(PointMm p, int piece) const;

  /// Points on the curve itself, `inset_mm` inwards, with chord error under `chord_mm`. Where the
  /// inset curve folds over itself the folded part is left out.
  PolygonMm polygon(double inset_mm = 0, double chord_mm = 0.01) const;

 private:
  bool measure(const ShapePiece& piece, PointMm p, Place& out) const;

  std::vector<ShapePiece> pieces_;
  double perimeter_mm_ = 0;
};

}  // namespace panecard::support
