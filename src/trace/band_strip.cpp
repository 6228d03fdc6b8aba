#include "trace/band_strip.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>

namespace panecard::trace {
namespace {

constexpr double kIndex = 1.52;       // soda-lime glass
constexpr double kDeepest_mm = 62;    // solid part and five rows of dots
constexpr double kNormalSpan_mm = 3;  // the edge is good to 0.3 mm: shorter chords would only turn
constexpr double kCardMargin_mm = 5;  // a card throws a shadow
constexpr int kNodes = 8;             // exact projections per column; straight lines between them

double tan_inside(double radius_mm, double height_mm) {
  const double sine = radius_mm / std::hypot(radius_mm, height_mm) / kIndex;
  return sine / std::sqrt(1 - sine * sine);
}

/// Radius of the largest circle that touches the edge at each column from inside: beyond it the
/// offset curve would fold back (the distance to the medial axis; Blum 1967).
std::vector<double> touching_circles(const PolygonMm& glass, const PolygonMm& inward,
                                     double column_mm) {
  constexpr double kNear_mm = 6;  // nearer points give the edge's noise, not its bend
  const std::size_t n = glass.size();
  const auto skip = static_cast<std::size_t>(std::max(1.0, std::round(2 / column_mm)));
  std::vector<double> reach(n, kDeepest_mm);
  for (std::size_t i = 0; i < n; i += skip) {
    double least = 1e9;
    for (std::size_t j = 0; j < n; j += skip) {
      const PointMm to = glass[j] - glass[i];
      const double height = dot(to, inward[i]), square = dot(to, to);
      if (height > 0 && square >= kNear_mm * kNear_mm) least = std::min(least, square / 2 / height);
    }
    for (std::size_t k = i; k < std::min(n, i + skip); ++k) reach[k] = least;
  }
  return reach;
}

/// Takes out the depths where the line of one column runs over a card.
void mask_card(BandStrip& strip, const std::array<PointMm, 4>& body) {
  for (int c = 0; c < strip.columns(); ++c) {
    const auto i = static_cast<std::size_t>(c);
    double from = 0, to = kDeepest_mm;
    for (std::size_t k = 0; k < 4; ++k) {
      const PointMm side = body[(k + 1) % 4] - body[k];
      const double length = norm(side);
      const PointMm out{side.y / length, -side.x / length};
      const double start = dot(strip.glass[i] - body[k], out) - kCardMargin_mm;
      const double slope = dot(strip.inward[i], out);
      if (std::abs(slope) < 1e-9) {
        if (start > 0) from = std::numeric_limits<double>::infinity();
      } else if (slope > 0) {
        to = std::min(to, -start / slope);
      } else {
        from = std::max(from, -start / slope);
      }
    }
    for (int r = 0; r < strip.rows(); ++r) {
      const double depth = strip.depth_mm(r);
      if (depth >= from && depth <= to) strip.valid.at<uchar>(r, c) = 0;
    }
  }
}

void mask_cards(BandStrip& strip, const card::Plane& plane,
                const std::vector<card::Sighting>& cards) {
  for (const card::Sighting& card : cards) {
    if (card.body_px.size() != 4) continue;
    std::array<PointMm, 4> body;
    PointMm centre;
    for (std::size_t k = 0; k < 4; ++k) {
      body[k] = card::mm_from_px(plane, card.body_px[k], card.thickness_mm);
      centre = centre + 0.25 * body[k];
    }
    double area = 0;
    for (std::size_t k = 0; k < 4; ++k) area += cross(body[k], body[(k + 1) % 4]);
    if (!std::isfinite(area)) continue;
    if (area < 0) std::swap(body[1], body[3]);
    // Only the sheet's board was found; its page may be Letter or A4, whichever is larger.
    const double grow = card.kind == card::Kind::sheet ? 297.0 / 234.0 : 1.0;
    for (PointMm& corner : body) corner = centre + grow * (corner - centre);
    mask_card(strip, body);
  }
}

cv::Mat linear_light(const cv::Mat& grey) {
  cv::Mat table(1, 256, CV_32F);
  for (int i = 0; i < 256; ++i) {  // IEC 61966-2-1, the photo's usual encoding
    const double c = i / 255.0;
    table.at<float>(i) =
        static_cast<float>(c <= 0.04045 ? c / 12.92 : std::pow((c + 0.055) / 1.055, 2.4));
  }
  cv::Mat light;
  cv::LUT(grey, table, light);
  return light;
}

/// OpenCV coordinates of every cell: exact at a few depths, straight lines between them.
void project(const BandStrip& strip, const card::Plane& plane, double thickness_mm, cv::Mat& x,
             cv::Mat& y) {
  const Eigen::Vector3d camera = card::camera_centre_mm(plane.value);
  const int rows = x.rows, columns = x.cols;
  for (int c = 0; c < columns; ++c) {
    std::array<PointPx, kNodes + 1> node;
    for (int k = 0; k <= kNodes; ++k) {
      const double row = static_cast<double>(k) * (rows - 1) / kNodes;
      const PointMm print = strip.at(c, strip.depth_mm(row));
      const PointMm face = face_from_print(camera, print, thickness_mm);
      node[static_cast<std::size_t>(k)] = card::px_from_mm(plane, face);
    }
    for (int r = 0; r < rows; ++r) {
      const double t = static_cast<double>(r) * kNodes / (rows - 1);
      const auto k = std::min(static_cast<std::size_t>(t), static_cast<std::size_t>(kNodes - 1));
      const double f = t - static_cast<double>(k);
      x.at<float>(r, c) = static_cast<float>(node[k].x + f * (node[k + 1].x - node[k].x) - 0.5);
      y.at<float>(r, c) = static_cast<float>(node[k].y + f * (node[k + 1].y - node[k].y) - 0.5);
    }
  }
}

}  // namespace

PointMm face_from_print(const Eigen::Vector3d& camera_mm, PointMm print, double thickness_mm) {
  const PointMm foot{camera_mm.x(), camera_mm.y()};
  const double wanted = distance(print, foot);
  if (wanted == 0) return print;
  double radius =
      wanted;  // contracts by about thickness / height each time: under 1 % of a percent
  for (int i = 0; i < 4; ++i) radius = wanted - thickness_mm * tan_inside(radius, camera_mm.z());
  return foot + (radius / wanted) * (print - foot);
}

PointMm print_shift_per_mm(const Eigen::Vector3d& camera_mm, PointMm face) {
  const PointMm foot{camera_mm.x(), camera_mm.y()};
  const double radius = distance(face, foot);
  if (radius == 0) return {};
  return (tan_inside(radius, camera_mm.z()) / radius) * (face - foot);
}

BandStrip unroll_band(const photo::Photo& photo, const card::Plane& plane,
                      const std::vector<card::Sighting>& cards, const PolygonMm& glass,
                      double thickness_mm) {
  BandStrip strip;
  strip.glass = resample(glass, strip.column_mm);
  if (signed_area_mm2(strip.glass) < 0) std::reverse(strip.glass.begin(), strip.glass.end());
  const std::size_t n = strip.glass.size();
  strip.column_mm = perimeter_mm(strip.glass) / static_cast<double>(n);
  const auto span = static_cast<std::size_t>(std::round(kNormalSpan_mm / strip.column_mm));
  strip.inward.resize(n);
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm along = strip.glass[(i + span) % n] - strip.glass[(i + n - span) % n];
    strip.inward[i] = (1 / std::max(norm(along), 1e-12)) * PointMm{-along.y, along.x};
  }
  strip.reach_mm = touching_circles(strip.glass, strip.inward, strip.column_mm);

  const int rows = static_cast<int>((kDeepest_mm - strip.first_mm) / strip.row_mm) + 1;
  const int columns = static_cast<int>(n);
  cv::Mat x(rows, columns, CV_32F), y(rows, columns, CV_32F), grey;
  project(strip, plane, thickness_mm, x, y);
  cv::remap(photo.grey, grey, x, y, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
  strip.light = linear_light(grey);
  strip.valid = cv::Mat(rows, columns, CV_8U);
  for (int r = 0; r < rows; ++r) {
    for (int c = 0; c < columns; ++c) {
      const float u = x.at<float>(r, c), v = y.at<float>(r, c);
      const bool inside = u >= 0 && v >= 0 && u <= static_cast<float>(photo.grey.cols - 1) &&
                          v <= static_cast<float>(photo.grey.rows - 1);
      const bool near = strip.depth_mm(r) <= strip.reach_mm[static_cast<std::size_t>(c)];
      strip.valid.at<uchar>(r, c) = inside && near ? 1 : 0;
    }
  }
  mask_cards(strip, plane, cards);
  return strip;
}

}  // namespace panecard::trace
