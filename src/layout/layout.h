// Lays pieces on a strip of film so that little of it is used.
//
// Frame    strip: mm, x along the roll from its start, y across from the lower edge.
// Method   pieces may overlap while the search goes on and are driven apart by weights; positions
//          that touch come from no-fit polygons and a linear programme; every layout that leaves
//          this room has been checked by another library. Choices and papers: docs/layout.md.
#pragma once

#include <cstdint>
#include <functional>
#include <limits>
#include <string>
#include <vector>

#include "base/base.h"
#include "geom/geom.h"

namespace panecard::layout {

/// One shape to be cut, in one or more copies.
struct Item {
  std::string name;
  PolygonMm shape;                      ///< counter-clockwise, simple
  std::vector<double> turns_deg = {0};  ///< allowed turns, counter-clockwise
  bool may_mirror = false;              ///< the twin (x to -x) will do as well
  int copies = 1;
};

struct Strip {
  double width_mm = 0;
  double gap_mm = 0;   ///< least distance between two pieces
  double edge_mm = 0;  ///< kept free along both edges of the film and at its start and end
};

/// Where one copy lies: its shape mirrored (x to -x) or not, then turned, then shifted.
struct Placed {
  std::size_t item = 0;
  double turn_deg = 0;
  bool mirrored = false;
  PointMm shift;
};

struct Layout {
  std::vector<Placed> placed;  ///< items in order, copies together
  double length_mm = 0;        ///< of film used, with the free edges at both ends
  double bound_mm = 0;         ///< no layout can be shorter
  bool shortest = false;       ///< proven
};

/// How long to search. Same arguments, same layout, as long as `spent` answers the same.
struct Effort {
  std::uint64_t seed = 1;
  std::int64_t moves = 200000;  ///< of single pieces
  /// Share of the time that is gone, 0 to 1, asked again and again; empty: moves alone count.
  std::function<double()> spent;
  /// Told each shorter layout at once; may be empty.
  std::function<void(const Layout&)> shorter;
};

/// The shortest layout that was found.
/// @retval bad_usage         a width, gap, turn or number of copies that makes no sense
/// @retval degenerate_shape  a shape that crosses itself or has no area
/// @retval does_not_fit      a piece wider than the film whichever way it may lie: by how much
Result<Layout> pack(const std::vector<Item>& items, const Strip& strip, const Effort& effort);

/// The placed copy's outline.
PolygonMm placed_shape(const Item& item, const Placed& placed);

/// What is wrong with a layout, by GEOS on the shapes as they are: overlaps, gaps, the film's edge.
/// Nothing when all holds within `slack_mm`.
std::vector<std::string> faults(const std::vector<Item>& items, const Strip& strip,
                                const Layout& layout, double slack_mm);

}  // namespace panecard::layout
