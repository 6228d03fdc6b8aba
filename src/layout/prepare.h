// Converts items and a strip into a Problem, and a State into a Layout.
#pragma once

#include "layout/layout.h"
#include "layout/problem.h"

namespace panecard::layout {

/// The item and orientation that a form was made from.
struct Origin {
  std::size_t item = 0;
  double turn_deg = 0;
  bool mirrored = false;
  PointMm low;  ///< the form's lower left corner before it was moved to the origin
};

struct Prepared {
  Problem problem;
  std::vector<Origin> origins;       ///< one per form
  std::vector<std::size_t> item_of;  ///< one per copy
  double edge_mm = 0;                ///< from the film's edge to the edge of the usable strip
};

/// @retval bad_usage, degenerate_shape, does_not_fit  as pack()
Result<Prepared> prepare(const std::vector<Item>& items, const Strip& strip);

Layout layout_of(const Prepared& prepared, const State& state);

/// A polygon of fewer points that contains `polygon` and reaches at most `tolerance_mm` beyond it.
PolygonMm simplified_outwards(const PolygonMm& polygon, double tolerance_mm);

}  // namespace panecard::layout
