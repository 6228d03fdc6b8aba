// The four straight edges of a body, to a small fraction of a pixel, in the full photo.
#pragma once

#include <Eigen/Core>
#include <array>
#include <opencv2/core.hpp>
#include <vector>

#include "geom/geom.h"

namespace panecard::card {

/// Samples of one edge. Frame of an edge: t along it from its first corner, u across it, positive
/// inside, both in px.
struct EdgeTrace {
  std::vector<PointPx> seen;
  double sigma_px = 0;       ///< of one sample, from their scatter about a smooth edge
  double line_sigma_px = 0;  ///< of the fitted line at its middle
  double coverage = 0;       ///< share of the straight part where a step was measured on the line
  double contrast = 0;       ///< median step over the noise of one pixel
  double bow_px = 0;         ///< sagitta of the fitted edge (lens distortion bends it)
};

struct BodyTrace {
  std::array<EdgeTrace, 4> edge;  ///< edge i joins corner i to corner i + 1
  std::array<PointPx, 4> corner;  ///< where neighbouring edges meet
  double corner_sigma_px = 0;
  double blur_px = 0;        ///< Gaussian sigma of the edges
  double over_exposure = 1;  ///< inside level over the sensor's limit; 1 when not clipped
  bool valid = false;
};

/// Fits the edges near `corner` (clockwise as seen).
///
/// @param skip_share  share of the short side left out at each end (rounded corners)
/// @param reach_px    how far the rough corners may be off
BodyTrace trace_body(const cv::Mat& bgr, const std::array<PointPx, 4>& corner, double skip_share,
                     double reach_px);

/// Where the outline crosses the line from a sharp corner inwards (`inside`), in px from the
/// corner, with its standard uncertainty (negative when no step is seen).
struct CornerCut {
  double at_px = 0, sigma_px = -1;
};
CornerCut corner_cut(const cv::Mat& bgr, PointPx corner, PointPx inside, double reach_px,
                     double blur_px);

}  // namespace panecard::card
