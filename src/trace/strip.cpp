#include "trace/strip.h"

#include <Eigen/Geometry>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>

namespace panecard::trace {

namespace {

// Where the radial polynomial stops growing, or 80 degrees off the axis.
double monotone_to_r2(const photo::LensVector& lens) {
  constexpr double kMost = 32, kStep = 0.01;
  double r2 = 0;
  const auto slope = [&](double s) {
    return 1 + s * (3 * lens[photo::kK1] + s * (5 * lens[photo::kK2] + s * 7 * lens[photo::kK3]));
  };
  while (r2 < kMost && slope(r2) > 0) r2 += kStep;
  return r2;
}

}  // namespace

Sight::Sight(const card::Plane& plane) {
  const Eigen::Vector3d turn = plane.value.head<3>();
  const double angle = turn.norm();
  const Eigen::Matrix3d rotation = angle > 0
                                       ? Eigen::AngleAxisd(angle, turn / angle).toRotationMatrix()
                                       : Eigen::Matrix3d::Identity().eval();
  x_axis_ = rotation.col(0);
  y_axis_ = rotation.col(1);
  shift_ = plane.value.segment<3>(3);
  lens_ = plane.value.segment<photo::kLensSize>(card::kLensOffset);
  z_axis_ = rotation.col(2);
  bend_ = {plane.value[card::kCurvatureOffset], plane.value[card::kCurvatureOffset + 1],
           plane.value[card::kCurvatureOffset + 2]};
  holds_to_r2_ = monotone_to_r2(lens_);
  flat_ = bend_.xx == 0 && bend_.xy == 0 && bend_.yy == 0;
}

Eigen::Vector3d Sight::from_camera(PointMm p) const {
  if (flat_) return x_axis_ * p.x + y_axis_ * p.y + shift_;
  const Point3<double> at = point_on_surface(bend_, p.x, p.y, 0.0);
  return x_axis_ * at.x + y_axis_ * at.y + z_axis_ * at.z + shift_;
}

PointPx Sight::px(PointMm p) const {
  const Eigen::Vector3d at = from_camera(p);
  // Such a point has no pixel; far outside the photo is what every caller wants.
  if (!holds(at)) return {-1e6, -1e6};
  return photo::distort(lens_, at.x() / at.z(), at.y() / at.z());
}

bool Sight::holds(const Eigen::Vector3d& at) const {
  return at.z() > 1.0 && at.head<2>().squaredNorm() < holds_to_r2_ * at.z() * at.z();
}

bool Sight::in_front(PointMm p) const { return holds(from_camera(p)); }

double Sight::px_per_mm(PointMm p) const {
  const PointPx a = px(p), b = px({p.x + 1, p.y}), c = px({p.x, p.y + 1});
  return std::sqrt(std::abs((b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x)));
}

Pyramid::Pyramid(const cv::Mat& bgr, int levels) {
  levels_.push_back(bgr);
  for (int i = 1; i < levels; ++i) {
    cv::Mat half;
    cv::resize(levels_.back(), half, {}, 0.5, 0.5, cv::INTER_AREA);
    levels_.push_back(half);
  }
}

cv::Mat Pyramid::sample(const cv::Mat& x, const cv::Mat& y, double px_per_sample) const {
  const int level =
      std::clamp(static_cast<int>(std::lround(std::log2(std::max(px_per_sample, 1.0)))), 0,
                 static_cast<int>(levels_.size()) - 1);
  const double scale = std::ldexp(1.0, -level);
  cv::Mat map_x, map_y, out;
  x.convertTo(map_x, CV_32F, scale, -0.5);
  y.convertTo(map_y, CV_32F, scale, -0.5);
  cv::remap(levels_[level], out, map_x, map_y, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
  return out;
}

cv::Mat root_intensity(const cv::Mat& bgr) {
  static const std::array<float, 256> kRoot = [] {
    std::array<float, 256> table{};
    // The offset keeps the slope finite where read noise outweighs shot noise.
    for (int i = 0; i < 256; ++i) table[i] = std::sqrt(static_cast<float>(i) + 3.0F);
    return table;
  }();
  cv::Mat out(bgr.size(), CV_32FC3);
  cv::parallel_for_({0, bgr.rows}, [&](const cv::Range& range) {
    for (int row = range.start; row < range.end; ++row) {
      const auto* from = bgr.ptr<unsigned char>(row);
      auto* to = out.ptr<float>(row);
      for (int i = 0; i < bgr.cols * 3; ++i) to[i] = kRoot[from[i]];
    }
  });
  return out;
}

cv::Mat blurred_round(const cv::Mat& values, double sigma_rows, double sigma_columns) {
  // Three sigma to either side, as for 8-bit pictures: one part in four hundred lies further out.
  const auto reach = [](double sigma) { return static_cast<int>(std::ceil(3 * sigma)); };
  const cv::Size kernel(2 * reach(sigma_columns) + 1, 2 * reach(sigma_rows) + 1);
  const int rows = values.rows, wrap = std::min(rows, reach(sigma_rows));
  cv::Mat wrapped, out(values.size(), values.type());
  cv::copyMakeBorder(values, wrapped, wrap, wrap, 0, 0, cv::BORDER_WRAP);
  // A part of a picture is filtered with what lies around it, so that the bands leave no trace.
  constexpr int kBands = 8;
  cv::parallel_for_({0, kBands}, [&](const cv::Range& range) {
    for (int band = range.start; band < range.end; ++band) {
      const int from = rows * band / kBands, to = rows * (band + 1) / kBands;
      if (from == to) continue;
      cv::Mat part = out.rowRange(from, to);
      cv::GaussianBlur(wrapped.rowRange(from + wrap, to + wrap), part, kernel, sigma_columns,
                       sigma_rows, cv::BORDER_REPLICATE);
    }
  });
  return out;
}

namespace {

void mark_blind(const PolygonMm& card, double half_mm, Strip& strip) {
  const PointMm middle = middle_of(card);
  double radius = 0;
  for (const PointMm& p : card) radius = std::max(radius, distance(p, middle));
  for (int i = 0; i < strip.blind.rows; ++i) {
    if (distance(strip.curve[i], middle) > radius + half_mm) continue;
    for (int j = 0; j < strip.blind.cols; ++j) {
      if (contains(card, strip.curve[i] + strip.offset_mm(j) * strip.normals[i])) {
        strip.blind.at<unsigned char>(i, j) = 1;
      }
    }
  }
}

// What lies beyond the photo's border was not seen. A normal is nearly straight in any photo: with
// both ends inside, so is all of it.
void mark_outside(cv::Size photo, const float* x, const float* y, int columns,
                  unsigned char* blind) {
  const auto outside = [&](int j) {
    return !(x[j] >= 0 && y[j] >= 0 && x[j] <= static_cast<float>(photo.width) &&
             y[j] <= static_cast<float>(photo.height));
  };
  if (!outside(0) && !outside(columns - 1)) return;
  for (int j = 0; j < columns; ++j) {
    if (outside(j)) blind[j] = 1;
  }
}

// Pixels along one normal. Two millimetres of it are straight and even in any photo, to a few
// thousandths of a pixel.
void map_row(const Sight& sight, const Strip& strip, int row, int columns, float* x, float* y) {
  constexpr double kStraight_mm = 2;
  const int apart = std::max(1, static_cast<int>(kStraight_mm / strip.step_mm));
  const auto px = [&](int column) {
    return sight.px(strip.curve[row] + strip.offset_mm(column) * strip.normals[row]);
  };
  PointPx from = px(0);
  for (int first = 0; first < columns; first += apart) {
    const PointPx to = px(first + apart);
    const double dx = (to.x - from.x) / apart, dy = (to.y - from.y) / apart;
    const int count = std::min(apart, columns - first);
    for (int k = 0; k < count; ++k) {
      x[first + k] = static_cast<float>(from.x + k * dx);
      y[first + k] = static_cast<float>(from.y + k * dy);
    }
    from = to;
  }
}

}  // namespace

Strip unwrap(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
             PolygonMm curve, double half_mm, double step_mm) {
  Strip strip;
  // Where a rough curve wiggles its own normals would cross within the strip's width.
  constexpr double kNormals_mm = 6;
  const double row_mm = std::max(distance(curve[0], curve[1]), 1e-3);
  strip.normals = outward_normals(smooth_closed(curve, kNormals_mm / row_mm));
  strip.curve = std::move(curve);
  strip.first_mm = -half_mm;
  strip.step_mm = step_mm;
  const int rows = static_cast<int>(strip.curve.size());
  const int columns = static_cast<int>(std::lround(2 * half_mm / step_mm)) + 1;
  cv::Mat x(rows, columns, CV_32F), y(rows, columns, CV_32F);
  strip.blind = cv::Mat::zeros(rows, columns, CV_8U);
  cv::parallel_for_({0, rows}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      map_row(sight, strip, i, columns, x.ptr<float>(i), y.ptr<float>(i));
      mark_outside(photo.size(), x.ptr<float>(i), y.ptr<float>(i), columns,
                   strip.blind.ptr<unsigned char>(i));
    }
  });
  PointMm middle{};
  for (const PointMm& p : strip.curve) middle = middle + p;
  middle = (1.0 / rows) * middle;
  strip.root = root_intensity(photo.sample(x, y, sight.px_per_mm(middle) * step_mm));
  for (const PolygonMm& card : cards) mark_blind(card, half_mm, strip);
  return strip;
}

PolygonMm smooth_closed(const PolygonMm& curve, double sigma) {
  const int n = static_cast<int>(curve.size());
  const int reach = std::min(n / 2, static_cast<int>(std::ceil(4 * sigma)));
  std::vector<double> weight(2 * reach + 1);
  double sum = 0;
  for (int k = -reach; k <= reach; ++k) {
    sum += weight[k + reach] = std::exp(-0.5 * k * k / (sigma * sigma));
  }
  PolygonMm out(n);
  for (int i = 0; i < n; ++i) {
    PointMm p{};
    for (int k = -reach; k <= reach; ++k) {
      p = p + weight[k + reach] / sum * curve[wrapped(i + k, n)];
    }
    out[i] = p;
  }
  return out;
}

float sampled_quantile(const cv::Mat& values, double share) {
  std::vector<float> sample;
  const std::size_t total = values.total();
  const std::size_t stride = std::max<std::size_t>(1, total / 20000);
  for (std::size_t i = 0; i < total; i += stride) {
    sample.push_back(
        values.at<float>(static_cast<int>(i / values.cols), static_cast<int>(i % values.cols)));
  }
  if (sample.empty()) return 0;
  const auto at =
      sample.begin() + static_cast<std::ptrdiff_t>(share * static_cast<double>(sample.size() - 1));
  std::nth_element(sample.begin(), at, sample.end());
  return *at;
}

PointMm middle_of(const PolygonMm& points) {
  PointMm sum{};
  for (const PointMm& p : points) sum = sum + p;
  return 1.0 / static_cast<double>(points.size()) * sum;
}

double distance_to_closed(PointMm p, const PolygonMm& curve) {
  double least = std::numeric_limits<double>::infinity();
  for (std::size_t i = 0; i < curve.size(); ++i) {
    least = std::min(least, distance_to_segment(p, curve[i], curve[(i + 1) % curve.size()]));
  }
  return least;
}

double median(std::vector<double> values) {
  if (values.empty()) return 0;
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace panecard::trace
