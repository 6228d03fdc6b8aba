// The seal as a pair of edges per curve point: how well each pair is borne out, and the best closed
// path through them.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "trace/material.h"

namespace panecard::trace {

// Seals of vehicle panes are 4 to 24 mm wide as seen (common practice).
constexpr int kMinWidth = 4, kMaxWidth = 24, kWidths = kMaxWidth - kMinWidth + 1;

/// Per row (curve point) and millimetre of offset: how sure it is that the picture changes across
/// the curve here, and along it.
struct Evidence {
  cv::Mat across, along;  ///< CV_32F, rows x whole millimetres
  double first_mm = 0;    ///< offset of column 0's middle
  cv::Mat tone;           ///< see tones()
  Likeness like;          ///< empty until seal and body are known
};

/// What is believed of offset and width before the strip is looked at.
struct Belief {
  double outer_from_mm = -1e9, outer_to_mm = 1e9;  ///< of the seal's outer edge
  double outer_likely_from_mm = -1e9, outer_likely_to_mm = 1e9;
  double width_mm = 0;           ///< 0: anything
  double inner_within_mm = 1e9;  ///< of the reference curve
  std::vector<double> near_mm;   ///< per row: where the user pointed, or NaN
};

/// What it costs a path to move on by a cell or to change its width by one, of evidence.
struct Steps {
  int max_step;  ///< cells per row
  float step_cost, width_cost;
};

struct PairPath {
  std::vector<int> cell, width;   ///< per row: the glass edge, and how far out the seal's other is
  std::vector<float> sure;        ///< evidence of the pair taken
  std::vector<int> rival;         ///< cell of the best glass edge away from the one taken
  std::vector<float> rival_sure;  ///< its evidence
  double score = 0;               ///< mean evidence, the costs of moving taken off
};

PairPath best_path(const Evidence& evidence, const Belief& belief, const Steps& steps);

}  // namespace panecard::trace
