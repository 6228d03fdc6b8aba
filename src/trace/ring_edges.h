// What the edges in log-polar coordinates say of each place and slope that a closed path may have.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "trace/polar.h"

namespace panecard::trace {

/// A path moves by up to so many cells of ln r per ray: edges up to 80 degrees off the ray's
/// normal.
constexpr int kMaxSlope = 6, kSlopes = 2 * kMaxSlope + 1;
/// Costs are counted in 255ths of a cell without any edge. More than kMostCost would not fit the
/// sums along a path.
constexpr int kUnit = 255, kMostCost = 15 * kUnit;

/// Columns in whole vectors of bytes.
int padded(int columns);

/// What the edges alone say, for all paths.
struct Edges {
  /// Per ray: the columns where a path may be. The others are not filled in.
  std::vector<cv::Range> spans;
  cv::Mat absence;  ///< CV_8U: cost of a cell, row ray * kSlopes + kMaxSlope + slope
  /// CV_8U: the clearest edge a little way outside, 0 to 255: the seal's outer edge is the last
  /// before the body, while reflections and what is behind the glass lie within it.
  cv::Mat beyond;
};

Edges look_for_edges(const Polar& polar);

}  // namespace panecard::trace
