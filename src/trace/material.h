// What the seal and the body look like round a pane, learnt from a first idea of where they are.
#pragma once

#include <array>
#include <opencv2/core.hpp>
#include <vector>

#include "trace/strip.h"

namespace panecard::trace {

using Tone = std::array<float, 3>;  ///< luminance and two colour differences, of root intensities

/// Median and robust spread of a material's tone.
struct Look {
  Tone middle{}, sigma{};
};

/// Seal and body by share of the way round, kSectors of them. Each is the median over two thirds of
/// the turn, so that a whole side where the first idea went astray is outvoted, while light may
/// change from side to side. Empty where too little was seen.
struct Materials {
  static constexpr int kSectors = 24;
  std::vector<Look> seal, body;
  /// How alike to these was what they were learnt from: the median over all cells.
  float usual_seal = 1, usual_body = 1;
};

/// How alike each cell is to seal and body: 1 the same, 0 another material.
struct Likeness {
  cv::Mat seal, body;                    ///< CV_32F, rows x cells; 0 where nothing was seen
  float usual_seal = 1, usual_body = 1;  ///< see Materials
};

/// Mean tone of each whole millimetre of the strip, CV_32FC3; NaN where a card lies or the photo
/// has ended.
cv::Mat tones(const Strip& strip);

/// @param inner, outer  per row: cell of the glass edge and of the seal's outer edge
Materials learn_materials(const cv::Mat& tones, const std::vector<int>& inner,
                          const std::vector<int>& outer);

Likeness likeness(const cv::Mat& tones, const Materials& materials);

}  // namespace panecard::trace
