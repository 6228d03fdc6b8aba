// The photo unrolled along the glass edge: what the inner face shows at a depth d inside it.
#pragma once

#include <array>
#include <opencv2/core.hpp>
#include <vector>

#include "card/card.h"
#include "geom/geom.h"
#include "photo/photo.h"

namespace panecard::trace {

/// The camera in the tangent plane of the face at `place`, laid on the developed millimetres there.
/// On a flat pane it is the camera's centre, whatever the place.
Eigen::Vector3d camera_over(const card::Plane& plane, PointMm place);

/// Where on the outer face the ray leaves the glass that shows the inner face's point `print`.
PointMm face_from_print(const Eigen::Vector3d& camera_mm, PointMm print, double thickness_mm);

/// d(print)/d(thickness) for a fixed place on the outer face, which is a fixed pixel.
PointMm print_shift_per_mm(const Eigen::Vector3d& camera_mm, PointMm face);

/// Columns follow the glass edge counter-clockwise, rows go inwards.
struct BandStrip {
  double column_mm = 0.5;  ///< along the glass edge
  double row_mm = 0.25;
  double first_mm = 3;             ///< depth of row 0: the seal's shadow is left out
  PolygonMm glass;                 ///< per column
  PolygonMm inward;                ///< unit normal per column
  std::vector<double> reach_mm;    ///< per column: deeper, another part of the edge is nearer
  cv::Mat grey;                    ///< CV_8U
  std::array<float, 256> light{};  ///< linear light of a grey value
  cv::Mat valid;                   ///< CV_8U: inside the photo, within reach, no card

  int rows() const { return grey.rows; }
  int columns() const { return grey.cols; }
  float light_at(int row, int column) const { return light[grey.at<uchar>(row, column)]; }
  double depth_mm(double row) const { return first_mm + row * row_mm; }
  PointMm at(int column, double depth_mm) const {
    const auto i = static_cast<std::size_t>(column);
    return glass[i] + depth_mm * inward[i];
  }
};

BandStrip unroll_band(const photo::Photo& photo, const card::Plane& plane,
                      const std::vector<card::DetectedCard>& cards, const PolygonMm& glass,
                      double thickness_mm);

}  // namespace panecard::trace
