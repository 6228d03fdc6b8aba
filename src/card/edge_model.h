// Photometric model of the four edges of a body: a blurred step along a curve, fitted to pixels.
//
// Method   docs/plain-cards.md, "Edge model". Pixel values are projected onto the colour axis that
//          separates both sides best. The model is a step in linear light, blurred by a Gaussian
//          and encoded as sRGB (IEC 61966-2-1). All curves, blurs and the gain of clipped whites
//          are fitted together by Gauss-Newton with Huber's weights.
#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/core.hpp>
#include <opencv2/core/utility.hpp>
#include <vector>

#include "geom/geom.h"

namespace panecard::card {

/// Linear light, 0 to 1, of an sRGB code, 0 to 255. The curve of a given phone differs somewhat.
double linear_from_srgb(double code);

/// Frame and curve of one edge: t along it from its first corner, u across it, positive inside, px;
/// u(t) = c0 + c1 s + c2 (s^2 - 1/3), s = 2 t / length - 1.
struct EdgeCurve {
  Eigen::Vector2d a, d, n;
  double length = 0;
  Eigen::Vector3d c = Eigen::Vector3d::Zero();

  EdgeCurve() = default;
  EdgeCurve(PointPx from, PointPx to) : a(from.x, from.y), d(to.x - from.x, to.y - from.y) {
    length = d.norm();
    d /= length;
    n = {-d.y(), d.x()};  // inside: corners run clockwise, y down
  }
  Eigen::Vector3d basis(double t) const {
    const double s = 2 * t / length - 1;
    return {1, s, s * s - 1.0 / 3};
  }
  double u(double t) const { return c.dot(basis(t)); }
  Eigen::Vector2d at(double t) const { return a + t * d + u(t) * n; }
};

/// Calls visit(x, y, t, u) for every pixel with its centre within `reach` px of the curve and t in
/// [t0, t1), in every `stride`-th line of pixels across it.
template <typename Visit>
void visit_band(const cv::Mat& bgr, const EdgeCurve& edge, double t0, double t1, double reach,
                int stride, const Visit& visit) {
  const bool flat = std::abs(edge.d.x()) > std::abs(edge.d.y());
  const int major = flat ? 0 : 1, minor = 1 - major;
  const int major_size = flat ? bgr.cols : bgr.rows, minor_size = flat ? bgr.rows : bgr.cols;
  const double from = (edge.a + t0 * edge.d)[major], to = (edge.a + t1 * edge.d)[major];
  const int begin = std::max(0, static_cast<int>(std::floor(std::min(from, to) - reach)));
  const int end = std::min(major_size - 1, static_cast<int>(std::max(from, to) + reach));
  const double half = (reach + std::abs(edge.c[0]) + std::abs(edge.c[1]) + std::abs(edge.c[2])) /
                      std::abs(edge.d[major]);
  for (int i = begin; i <= end; i += stride) {
    const double middle = edge.a[minor] + (i + 0.5 - edge.a[major]) * edge.d[minor] / edge.d[major];
    const int low = std::max(0, static_cast<int>(middle - half - 1));
    const int high = std::min(minor_size - 1, static_cast<int>(middle + half + 1));
    for (int k = low; k <= high; ++k) {
      const int x = flat ? i : k, y = flat ? k : i;
      const Eigen::Vector2d r = Eigen::Vector2d(x + 0.5, y + 0.5) - edge.a;
      const double t = r.dot(edge.d);
      if (t < t0 || t >= t1) continue;
      const double u = r.dot(edge.n);
      if (std::abs(u - edge.u(t)) <= reach) visit(x, y, t, u);
    }
  }
}

/// Position in the frame of an edge, px, and BGR code.
struct Pixel {
  float t, u;
  Eigen::Vector3d code;
};

/// A short section of one edge with its own colours on both sides.
struct EdgeWindow {
  double t_mid = 0;
  std::vector<Pixel> pixel;
  Eigen::Vector3d out{0, 0, 0}, in{0, 0, 0};  ///< mean codes
  Eigen::Vector3d axis{0, 0, 0};  ///< (axis . (code - out)) runs from 0 outside to 1 inside
  double sigma = 0;               ///< noise of one pixel on that axis
  bool usable = false;
  std::vector<double> model, model_brighter;  ///< expected value over the share of inside light
};

/// State of the fit: four curves and the parameters they share.
struct BodyModel {
  std::array<EdgeCurve, 4> edge;
  std::array<std::vector<EdgeWindow>, 4> window;
  std::array<double, 2> blur = {1.0, 1.0};  ///< of edges 0 and 2, of edges 1 and 3
  double log_gain = 0;  ///< log of the light of clipped whites over the sensor's limit
  bool clipped = false;
};

template <typename Work>
void for_each_edge(const Work& work) {
  cv::parallel_for_({0, 4}, [&](const cv::Range& range) {
    for (int e = range.start; e < range.end; ++e) work(e);
  });
}

/// Collects the pixels within `reach` px of each edge into windows; `skip` px at each end are left
/// out.
/// @param most_stride  of the lines of pixels across an edge that is long enough to leave some out
void collect_pixels(const cv::Mat& bgr, BodyModel& body, double skip, double reach,
                    int most_stride);

/// Estimates colours, noise, projection axis and expected profile of every window.
void estimate_colours(BodyModel& body);

/// One Gauss-Newton step of all curves, blurs and the gain; returns the largest change of a curve's
/// coefficient, px.
double gauss_newton_step(BodyModel& body);

/// Position of the edge in one window: offset from the curve, px, with both levels free. False when
/// the fit diverges or its step is implausible.
bool fit_window(const EdgeWindow& w, const EdgeCurve& edge, double blur, double& offset,
                double& chi2_per_pixel);

}  // namespace panecard::card
