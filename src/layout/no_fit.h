// No-fit polygons and the penetration depth of a position in them.
#pragma once

#include <vector>

#include "geom/geom.h"

namespace panecard::layout {

/// A simplified shape in one orientation; its reference is the lower left corner of its bounding
/// box. Units: mm, mm2.
struct Form {
  PolygonMm points;  ///< counter-clockwise, lowest x and y are 0
  double width = 0, height = 0;
  bool convex = false;
  double area = 0;
};

/// The positions of a moving form, relative to a fixed one, at which the two overlap: an open set
/// bounded by the fixed form added to the moving one turned by half a turn (Minkowski sum).
class NoFitPolygon {
 public:
  NoFitPolygon() = default;
  /// @param grid  nodes along each side of the grid that answers most questions; 0: no grid
  NoFitPolygon(const Form& fixed, const Form& moving, int grid);

  /// Penetration depth (mm): length of the shortest move that ends the overlap, 0 when there is
  /// none. Single precision near the boundary and without a grid; further inside interpolated, with
  /// an error of at most one grid cell.
  float depth(float x, float y) const;
  /// Loops with the forbidden side on their left: counter-clockwise outside, clockwise around
  /// holes.
  const std::vector<PolygonMm>& loops() const { return loops_; }
  bool convex() const { return convex_; }

 private:
  struct Edges {
    std::vector<float> x, y, dx, dy, end_y, inverse, inverse_length;
  };
  struct Grid {
    int nodes = 0;
    float x = 0, y = 0, per_x = 0, per_y = 0;  ///< origin, cells per mm
    float band = 0;                            ///< how far a value may be off
    std::vector<float> depth;                  ///< negative outside
  };
  void store();
  void fill_grid(const Form& fixed, const Form& moving, int nodes);
  float depth_convex(float x, float y) const;
  float signed_depth(float x, float y) const;  ///< negative outside

  std::vector<PolygonMm> loops_;
  Edges edges_;
  Grid grid_;
  bool convex_ = false;
};

}  // namespace panecard::layout
