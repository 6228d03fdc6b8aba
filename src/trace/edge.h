// The final place of the glass edge: a fraction of a pixel, with what it is worth.
#pragma once

#include <vector>

#include "geom/geom.h"
#include "trace/ribbon.h"
#include "trace/strip.h"

namespace panecard::trace {

constexpr double kEdgeRow_mm = 1;

struct Edge {
  PolygonMm points;  ///< counter-clockwise, about kEdgeRow_mm apart
  PolygonMm normals;
  std::vector<double> sigma_mm;  ///< standard uncertainty along the normal: noise of the edge
  /// How much softer than the photo's blur the change is: a seal's shading, not the step where it
  /// meets the glass, which may then lie anywhere in it. Standard deviation.
  std::vector<double> shading_mm;
  /// There, by how much the seal looks narrower than where its edge is sharp: the last of it may be
  /// lost in the dark.
  std::vector<double> narrower_mm;
  /// Where another edge may be the right one: half of how much further out that lies, else 0. Two
  /// sigma reach it.
  std::vector<double> choice_mm;
  std::vector<bool> seen;  ///< false where there was no edge to be seen and a bridge stands
  std::vector<bool> lost;  ///< neither the edge nor the seal's outer edge is to be seen
};

/// Places the glass edge near the ribbon's inner side. Where the edge cannot be seen, a bridge
/// keeps the seal's width between what it is at both ends, measured from the seal's outer edge.
Edge place_edge(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
                const Ribbon& ribbon);

}  // namespace panecard::trace
