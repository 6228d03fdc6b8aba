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
  std::array<bool, 2> seen_to_end = {false, false};  ///< are there samples up to either end?
  double contrast = 0;                               ///< median step over the noise of one pixel
  double unevenness = 0;  ///< spread of the colour inside along the edge, over the step itself
  double bow_px = 0;      ///< sagitta of the fitted edge (lens distortion bends it)
};

struct BodyTrace {
  std::array<EdgeTrace, 4> edge;  ///< edge i joins corner i to corner i + 1
  std::array<PointPx, 4> corner;  ///< where neighbouring edges meet
  double corner_sigma_px = 0;
  double blur_px = 0;        ///< Gaussian sigma of the edges
  double over_exposure = 1;  ///< inside level over the sensor's limit; 1 when not clipped
  bool valid = false;
};

/// Rough corners (clockwise as seen, off by up to reach_px) to about a fifth of a pixel; false when
/// some side is no edge along at least half its length.
///
/// @param skip_share  share of the short side left out at each end (rounded corners)
bool sharpen_corners(const cv::Mat& bgr, double skip_share, double reach_px,
                     std::array<PointPx, 4>& corner);

/// Fits the edges near such corners.
BodyTrace trace_body(const cv::Mat& bgr, const std::array<PointPx, 4>& corner, double skip_share);

/// Where the outline crosses the line from a sharp corner inwards (`inside`), in px from the
/// corner, with its standard uncertainty (negative when no step is seen).
struct CornerCut {
  double at_px = 0, sigma_px = -1;
};
CornerCut corner_cut(const cv::Mat& bgr, PointPx corner, PointPx inside, double reach_px,
                     double blur_px);

}  // namespace panecard::card
