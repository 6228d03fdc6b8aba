// Sub-pixel fit of the four straight edges of a body in the full photo.
#pragma once

#include <Eigen/Core>
#include <array>
#include <opencv2/core.hpp>
#include <vector>

#include "geom/geom.h"

namespace panecard::card {

/// Samples of one edge.
struct EdgeFit {
  std::vector<PointPx> seen;
  double sigma_px = 0;       ///< of one sample, from their scatter about a smooth edge
  double line_sigma_px = 0;  ///< of the fitted line at its middle
  double coverage = 0;       ///< share of the straight part with a sample on the curve
  std::array<bool, 2> reaches_end = {false, false};  ///< are there samples up to either end?
  double contrast = 0;                               ///< median step over the noise of one pixel
  double colour_spread = 0;  ///< spread of the inside colour along the edge, over the step
  double sagitta_px = 0;     ///< sagitta of the fitted edge (lens distortion bends it)
};

struct OutlineFit {
  std::array<EdgeFit, 4> edge;    ///< edge i joins corner i to corner i + 1
  std::array<PointPx, 4> corner;  ///< where neighbouring edges meet
  double corner_sigma_px = 0;
  double blur_px = 0;        ///< Gaussian sigma of the edges
  double over_exposure = 1;  ///< inside light over the sensor's limit; 1 when not clipped
  bool valid = false;
};

/// Refines rough corners (clockwise as seen, off by up to reach_px) to about a fifth of a pixel;
/// false when less than half of a side has an edge.
///
/// @param end_share  share of the short side left out at each end (rounded corners)
bool refine_corners(const cv::Mat& bgr, double end_share, double reach_px,
                    std::array<PointPx, 4>& corner);

/// Fits the edges near refined corners; `valid` is false when an edge has too few samples.
OutlineFit fit_outline(const cv::Mat& bgr, const std::array<PointPx, 4>& corner, double end_share);

/// Distance, px, from the corner where the edges' lines intersect to the rounded outline, along the
/// line to `inside`, with its standard uncertainty (negative when no step is found).
struct CornerArc {
  double distance_px = 0, sigma_px = -1;
};
CornerArc locate_corner_arc(const cv::Mat& bgr, PointPx corner, PointPx inside, double reach_px,
                            double blur_px);

}  // namespace panecard::card
