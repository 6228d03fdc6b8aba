#include "trace/band_strip.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>

namespace panecard::trace {
namespace {

constexpr double kIndex = 1.52;     // soda-lime glass
constexpr double kDeepest_mm = 62;  // solid part and five rows of dots
constexpr double kSmooth_mm = 10;
constexpr double kNormalSpan_mm = 3;  // the edge is good to 0.3 mm: shorter chords would only turn
constexpr double kCardMargin_mm = 5;  // a card throws a shadow
constexpr int kNodes = 8;             // exact projections per column; straight lines between them

double tan_inside(double radius_mm, double height_mm) {
  const double sine = radius_mm / std::hypot(radius_mm, height_mm) / kIndex;
  return sine / std::sqrt(1 - sine * sine);
}

/// Local parabolas over +-kSmooth_mm (Savitzky & Golay 1964): they keep bends, and drop the traced
/// edge's noise, which would blur the print's profile when rows of the strip follow it.
PolygonMm smooth(const PolygonMm& line, double column_mm) {
  const auto half = static_cast<int>(std::round(kSmooth_mm / column_mm));
  const int n = static_cast<int>(line.size());
  double s2 = 0, s4 = 0;
  for (int k = -half; k <= half; ++k) {
    s2 += k * k;
    s4 += static_cast<double>(k) * k * k * k;
  }
  const double count = 2 * half + 1, determinant = count * s4 - s2 * s2;
  PolygonMm result(line.size());
  for (int i = 0; i < n; ++i) {
    PointMm sum, squares;
    for (int k = -half; k <= half; ++k) {
      const PointMm p = line[static_cast<std::size_t>((i + k + n) % n)];
      sum = sum + p;
      squares = squares + static_cast<double>(k * k) * p;
    }
    result[static_cast<std::size_t>(i)] = (1 / determinant) * (s4 * sum - s2 * squares);
  }
  return result;
}

/// Radius of the largest circle that touches the edge at each column from inside: beyond it the
/// offset curve would fold back (the distance to the medial axis; Blum 1967).
std::vector<double> touching_circles(const PolygonMm& glass, const PolygonMm& inward,
                                     double column_mm) {
  constexpr double kNear_mm = 6;  // nearer points give the edge's noise, not its bend
  const std::size_t n = glass.size();
  const auto skip = static_cast<std::size_t>(std::max(1.0, std::round(4 / column_mm)));
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
                const std::vector<card::DetectedCard>& cards) {
  for (const card::DetectedCard& card : cards) {
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

std::array<float, 256> linear_light() {
  std::array<float, 256> light{};
  for (std::size_t i = 0; i < 256; ++i) {  // IEC 61966-2-1, the photo's usual encoding
    const double c = static_cast<double>(i) / 255;
    light[i] = static_cast<float>(c <= 0.04045 ? c / 12.92 : std::pow((c + 0.055) / 1.055, 2.4));
  }
  return light;
}

/// OpenCV coordinates at a few depths of every column: nodes x columns, x and y.
std::array<cv::Mat, 2> project(const BandStrip& strip, const card::Plane& plane,
                               double thickness_mm) {
  constexpr float kNowhere = -1000;
  const int columns = static_cast<int>(strip.glass.size());
  std::array<cv::Mat, 2> nodes = {cv::Mat(kNodes + 1, columns, CV_32F),
                                  cv::Mat(kNodes + 1, columns, CV_32F)};
  for (int c = 0; c < columns; ++c) {
    for (int k = 0; k <= kNodes; ++k) {
      const double depth = strip.first_mm + (kDeepest_mm - strip.first_mm) * k / kNodes;
      const PointMm print = strip.at(c, depth);
      const PointMm face = face_from_print(camera_over(plane, print), print, thickness_mm);
      const PointPx px = card::px_from_mm(plane, face);
      const bool there = std::isfinite(px.x) && std::isfinite(px.y);
      nodes[0].at<float>(k, c) = there ? static_cast<float>(px.x - 0.5) : kNowhere;
      nodes[1].at<float>(k, c) = there ? static_cast<float>(px.y - 0.5) : kNowhere;
    }
  }
  return nodes;
}

/// Looks the strip up in the photo a few rows at a time, so that the maps stay in the cache.
void sample(BandStrip& strip, const cv::Mat& photo, const std::array<cv::Mat, 2>& nodes) {
  constexpr int kRowsAtOnce = 16;
  const int rows = strip.rows(), columns = strip.columns();
  const float right = static_cast<float>(photo.cols - 1);
  const float bottom = static_cast<float>(photo.rows - 1);
  std::array<cv::Mat, 2> map = {cv::Mat(kRowsAtOnce, columns, CV_32F),
                                cv::Mat(kRowsAtOnce, columns, CV_32F)};
  for (int first = 0; first < rows; first += kRowsAtOnce) {
    const int count = std::min(kRowsAtOnce, rows - first);
    for (int r = 0; r < count; ++r) {
      const float t = static_cast<float>((first + r) * kNodes) / static_cast<float>(rows - 1);
      const int k = std::min(static_cast<int>(t), kNodes - 1);
      const float f = t - static_cast<float>(k);
      for (std::size_t axis = 0; axis < 2; ++axis) {
        const float* low = nodes[axis].ptr<float>(k);
        const float* high = nodes[axis].ptr<float>(k + 1);
        float* to = map[axis].ptr<float>(r);
        for (int c = 0; c < columns; ++c) to[c] = low[c] + f * (high[c] - low[c]);
      }
      const float* x = map[0].ptr<float>(r);
      const float* y = map[1].ptr<float>(r);
      const float depth = static_cast<float>(strip.depth_mm(first + r));
      uchar* valid = strip.valid.ptr<uchar>(first + r);
      for (int c = 0; c < columns; ++c) {
        const bool inside = x[c] >= 0 && y[c] >= 0 && x[c] <= right && y[c] <= bottom;
        valid[c] =
            inside && depth <= static_cast<float>(strip.reach_mm[static_cast<std::size_t>(c)]);
      }
    }
    cv::Mat to = strip.grey.rowRange(first, first + count);
    cv::remap(photo, to, map[0].rowRange(0, count), map[1].rowRange(0, count), cv::INTER_LINEAR,
              cv::BORDER_REPLICATE);
  }
}

}  // namespace

Eigen::Vector3d camera_over(const card::Plane& plane, PointMm place) {
  if (plane.value.tail<3>().isZero(0)) return card::camera_centre_mm(plane.value);
  return card::camera_in_tangent_frame_mm(plane.value, place) +
         Eigen::Vector3d(place.x, place.y, 0);
}

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
                      const std::vector<card::DetectedCard>& cards, const PolygonMm& glass,
                      double thickness_mm) {
  BandStrip strip;
  strip.glass = resample(glass, strip.column_mm);
  if (signed_area_mm2(strip.glass) < 0) std::reverse(strip.glass.begin(), strip.glass.end());
  const std::size_t n = strip.glass.size();
  strip.column_mm = perimeter_mm(strip.glass) / static_cast<double>(n);
  strip.glass = smooth(strip.glass, strip.column_mm);
  const auto span = static_cast<std::size_t>(std::round(kNormalSpan_mm / strip.column_mm));
  strip.inward.resize(n);
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm along = strip.glass[(i + span) % n] - strip.glass[(i + n - span) % n];
    strip.inward[i] = (1 / std::max(norm(along), 1e-12)) * PointMm{-along.y, along.x};
  }
  strip.reach_mm = touching_circles(strip.glass, strip.inward, strip.column_mm);

  strip.light = linear_light();
  const int rows = static_cast<int>(std::round((kDeepest_mm - strip.first_mm) / strip.row_mm)) + 1;
  strip.grey = cv::Mat(rows, static_cast<int>(n), CV_8U);
  strip.valid = cv::Mat(rows, static_cast<int>(n), CV_8U);
  sample(strip, photo.grey, project(strip, plane, thickness_mm));
  mask_cards(strip, plane, cards);
  return strip;
}

}  // namespace panecard::trace
