// The photo sampled along curves on the pane: rings around a centre and strips along a closed
// curve.
#pragma once

#include <Eigen/Core>
#include <opencv2/core.hpp>
#include <vector>

#include "card/card.h"
#include "geom/geom.h"
#include "photo/photo.h"

namespace panecard::trace {

/// px_from_mm for many points of the face z = 0: the rotation is worked out once.
class Sight {
 public:
  explicit Sight(const card::Plane& plane);
  PointPx px(PointMm p) const;
  /// In front of the camera and where the lens model holds: further out a polynomial folds back
  /// and would show the point a second time inside the photo.
  bool in_front(PointMm p) const;
  /// Photo pixels per millimetre at a point, the geometric mean of the two directions.
  double px_per_mm(PointMm p) const;

 private:
  Eigen::Vector3d from_camera(PointMm p) const;
  bool holds(const Eigen::Vector3d& from_camera) const;

  Eigen::Vector3d x_axis_, y_axis_, z_axis_, shift_;
  CurvatureTensor<double> bend_;
  bool flat_ = true;
  photo::LensVector lens_;
  double holds_to_r2_ = 0;  // squared tangent of the angle off the axis
};

/// The photo at full, half, quarter ... size, made once.
class Pyramid {
 public:
  Pyramid(const cv::Mat& bgr, int levels);
  /// Samples at photo pixels `x`, `y` (centre of the first pixel at 0.5), 8-bit BGR, averaged to
  /// about `px_per_sample` pixels; outside the photo its border goes on.
  cv::Mat sample(const cv::Mat& x, const cv::Mat& y, double px_per_sample) const;
  cv::Size size() const { return levels_.front().size(); }

 private:
  std::vector<cv::Mat> levels_;
};

/// Square root of the 8-bit intensities (shot noise becomes alike everywhere), 32-bit, 3 channels.
cv::Mat root_intensity(const cv::Mat& bgr);

/// Gaussian smoothing of a picture whose last row is followed by its first.
cv::Mat blurred_round(const cv::Mat& values, double sigma_rows, double sigma_columns);

/// A strip along a closed curve: row i belongs to curve point i, column j to the offset
/// first_mm + j * step_mm along the outward normal.
struct Strip {
  cv::Mat root;   ///< CV_32FC3, see root_intensity
  cv::Mat blind;  ///< CV_8U: a card lies here, or the photo has ended
  PolygonMm curve, normals;
  double first_mm = 0, step_mm = 0;
  double offset_mm(double column) const { return first_mm + column * step_mm; }
};

/// `curve` must be counter-clockwise and evenly spaced; `cards` are what must not be looked at.
Strip unwrap(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
             PolygonMm curve, double half_mm, double step_mm);

/// Place in a closed curve of `n` points that is counted on past either end.
inline int wrapped(int i, int n) { return (i % n + n) % n; }

/// Gaussian smoothing of a closed, evenly spaced curve; `sigma` in points.
PolygonMm smooth_closed(const PolygonMm& curve, double sigma);

/// Quantile of a sample of the values (deterministic, at most ~20 000 of them).
float sampled_quantile(const cv::Mat& values, double share);

PointMm middle_of(const PolygonMm& points);  ///< their mean; at least one
double distance_to_closed(PointMm p, const PolygonMm& curve);
double median(std::vector<double> values);  ///< the upper one of two; 0 for none

}  // namespace panecard::trace
