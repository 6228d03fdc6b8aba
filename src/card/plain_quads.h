// Quadrilateral candidates from line segments.
#pragma once

#include <array>
#include <vector>

#include "card/plain_segments.h"

namespace panecard::card {

/// Corners clockwise as seen (y down), where the sides would meet if the corners were sharp.
struct Quad {
  std::array<Eigen::Vector2d, 4> corner;
  double support = 0;  ///< least share of a side along which the image has an edge in its direction
};

struct QuadLimits {
  double min_side_px = 24;
  double min_side_ratio = 1, max_side_ratio = 2;  ///< mean of the long sides over the short ones
  double corner_share =
      0.06;  ///< of the short side, left out at each end of a side: rounded corner
};

/// Quads whose four sides the image supports, best first, without near-copies.
std::vector<Quad> find_quads(const std::vector<Segment>& segments, const GradientField& field,
                             const QuadLimits& limits, std::size_t max_count);

}  // namespace panecard::card
