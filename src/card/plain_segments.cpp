#include "card/plain_segments.h"

#include <algorithm>
#include <cmath>

namespace panecard::card {
namespace {

// Hysteresis as Canny's (1986): a chain starts where the ridge is this many times the noise (one
// pixel in 450 is by chance: Rayleigh) and goes on along fainter ones.
constexpr double kStartOverNoise = 3.5, kFollowOverNoise = 2.2;
constexpr double kLineTolerance_px = 1.2;

double median_magnitude(const cv::Mat_<std::uint16_t>& magnitude) {
  std::vector<int> histogram(65536, 0);
  int count = 0;
  for (int y = 0; y < magnitude.rows; y += 3) {
    for (int x = 0; x < magnitude.cols; x += 3, ++count) ++histogram[magnitude(y, x)];
  }
  int below = 0;
  for (int m = 0; m < 65536; ++m) {
    below += histogram[m];
    if (2 * below >= count) return m;
  }
  return 0;
}

/// Non-maximum suppression: pixels whose gradient is a maximum along its direction.
cv::Mat_<std::uint8_t> ridges(const GradientField& field, double threshold) {
  cv::Mat_<std::uint8_t> mask(field.magnitude.size(), std::uint8_t{0});
  const auto limit = static_cast<std::uint16_t>(std::clamp(threshold, 1.0, 65535.0));
  cv::parallel_for_(cv::Range(1, field.magnitude.rows - 1), [&](const cv::Range& rows) {
    for (int y = rows.start; y < rows.end; ++y) {
      for (int x = 1; x + 1 < field.magnitude.cols; ++x) {
        const std::uint16_t m = field.magnitude(y, x);
        if (m < limit) continue;
        const int gx = field.vector(y, x)[0], gy = field.vector(y, x)[1];
        const int ax = std::abs(gx), ay = std::abs(gy);
        int dx = 1, dy = 0;  // nearest of the eight neighbours: borders at 22.5 deg (tan = 0.414)
        if (5 * ay > 2 * ax) dy = 1;
        if (5 * ax < 2 * ay) dx = 0;
        if ((gx < 0) != (gy < 0)) dy = -dy;
        mask(y, x) = m > field.magnitude(y - dy, x - dx) && m >= field.magnitude(y + dy, x + dx);
      }
    }
  });
  return mask;
}

/// Running least-squares line through points.
class RunningLine {
 public:
  void add(Eigen::Vector2d p, double weight = 1) {
    ++count_;
    weight_ += weight;
    sum_ += weight * p;
    square_ += weight * p * p.transpose();
  }
  int count() const { return count_; }
  Eigen::Vector2d centre() const { return sum_ / weight_; }
  Eigen::Vector2d direction() const {
    const Eigen::Matrix2d c = square_ / weight_ - centre() * centre().transpose();
    const double turn = 0.5 * std::atan2(2 * c(0, 1), c(0, 0) - c(1, 1));
    return {std::cos(turn), std::sin(turn)};
  }
  double distance(const Eigen::Vector2d& p) const {
    const Eigen::Vector2d d = direction(), r = p - centre();
    return std::abs(d.x() * r.y() - d.y() * r.x());
  }

 private:
  int count_ = 0;
  double weight_ = 0;
  Eigen::Vector2d sum_ = Eigen::Vector2d::Zero();
  Eigen::Matrix2d square_ = Eigen::Matrix2d::Zero();
};

class RidgeLinker {
 public:
  explicit RidgeLinker(const GradientField& field)
      : field_(field), unvisited_(ridges(field, kFollowOverNoise * field.noise)) {}

  std::vector<Segment> run(double min_length_px) {
    std::vector<Segment> found;
    for (int y = 1; y + 1 < unvisited_.rows; ++y) {
      for (int x = 1; x + 1 < unvisited_.cols; ++x) {
        if (!unvisited_(y, x) || field_.magnitude(y, x) < kStartOverNoise * field_.noise) continue;
        RunningLine line;
        unvisited_(y, x) = 0;
        line.add(centre(x, y));
        const Eigen::Vector2d a = follow(x, y, 1, line), b = follow(x, y, -1, line);
        if ((b - a).norm() < min_length_px) continue;
        const Eigen::Vector2d d = line.direction(), c = line.centre();
        found.push_back({c + d * d.dot(a - c), c + d * d.dot(b - c)});
      }
    }
    return found;
  }

 private:
  static Eigen::Vector2d centre(int x, int y) { return {x + 0.5, y + 0.5}; }

  /// Edge direction up to its sign, which has no meaning: the strongest channel and the background
  /// may change along an edge.
  Eigen::Vector2d tangent(int x, int y) const {
    const cv::Vec2s g = field_.vector(y, x);
    return Eigen::Vector2d(-g[1], g[0]) / std::max<double>(1, field_.magnitude(y, x));
  }

  /// Walks the ridge one way along its tangent; returns the last pixel that fits the line.
  Eigen::Vector2d follow(int x, int y, int way, RunningLine& line) {
    Eigen::Vector2d ahead = way * tangent(x, y);
    for (;;) {
      int best_x = -1, best_y = -1, best = 0;
      for (int dy = -1; dy <= 1; ++dy) {
        for (int dx = -1; dx <= 1; ++dx) {
          const int nx = x + dx, ny = y + dy;
          if (ahead.x() * dx + ahead.y() * dy <= 0) continue;
          if (nx < 1 || ny < 1 || nx + 1 >= unvisited_.cols || ny + 1 >= unvisited_.rows) continue;
          if (!unvisited_(ny, nx) || field_.magnitude(ny, nx) <= best) continue;
          if (std::abs(ahead.dot(tangent(nx, ny))) < 0.866) continue;  // turns by over 30 deg
          best = field_.magnitude(ny, nx);
          best_x = nx;
          best_y = ny;
        }
      }
      if (best == 0) return centre(x, y);
      const Eigen::Vector2d next = centre(best_x, best_y);
      if (line.count() >= 6 && line.distance(next) > kLineTolerance_px) return centre(x, y);
      line.add(next);
      unvisited_(best_y, best_x) = 0;
      x = best_x;
      y = best_y;
      const Eigen::Vector2d here = tangent(x, y);
      ahead = ahead.dot(here) < 0 ? Eigen::Vector2d(-here) : here;
    }
  }

  const GradientField& field_;
  cv::Mat_<std::uint8_t> unvisited_;
};

/// Extends `p` over `q` when both fit one line. The test uses their common line: the direction of a
/// short segment is uncertain, the more so where it began in a rounded corner.
bool join(Segment& p, const Segment& q) {
  const Eigen::Vector2d d = p.direction();
  const double length = p.length(), other = q.length();
  const double from = d.dot(q.a - p.a), to = d.dot(q.b - p.a);
  const double gap = std::max(std::min(from, to) - length, -std::max(from, to));
  if (gap > std::min(length, other)) return false;
  RunningLine line;
  for (const auto& [end, weight] :
       {std::pair{p.a, length}, {p.b, length}, {q.a, other}, {q.b, other}}) {
    line.add(end, weight);
  }
  const Eigen::Vector2d along = line.direction(), middle = line.centre();
  double low = 0, high = 0, off = 0;
  for (const Eigen::Vector2d& end : {p.a, p.b, q.a, q.b}) {
    const double at = along.dot(end - middle);
    low = std::min(low, at);
    high = std::max(high, at);
    off = std::max(off, line.distance(end));
  }
  // A distorted lens bends a long edge.
  constexpr double kDistortionBow = 0.002;
  if (off > kLineTolerance_px + kDistortionBow * (high - low)) return false;
  p = {middle + low * along, middle + high * along};
  return true;
}

}  // namespace

GradientField colour_gradient(const cv::Mat& bgr) {
  GradientField field;
  field.vector = cv::Mat_<cv::Vec2s>(bgr.size(), cv::Vec2s(0, 0));
  field.magnitude = cv::Mat_<std::uint16_t>(bgr.size(), std::uint16_t{0});
  const int width = 3 * bgr.cols;
  // Sobel's operator, both directions and the choice of the channel in one go: one pass over
  // memory is what makes this several times quicker than two filtered images.
  cv::parallel_for_(cv::Range(1, std::max(1, bgr.rows - 1)), [&](const cv::Range& rows) {
    std::vector<int> smooth(width), slope(width);
    for (int y = rows.start; y < rows.end; ++y) {
      const std::uint8_t *above = bgr.ptr(y - 1), *here = bgr.ptr(y), *below = bgr.ptr(y + 1);
      for (int i = 0; i < width; ++i) {
        smooth[i] = above[i] + 2 * here[i] + below[i];
        slope[i] = below[i] - above[i];
      }
      cv::Vec2s* vector = field.vector[y];
      std::uint16_t* magnitude = field.magnitude[y];
      for (int x = 1; x + 1 < bgr.cols; ++x) {
        int best = -1, best_x = 0, best_y = 0;
        for (int i = 3 * x; i < 3 * x + 3; ++i) {
          const int gx = smooth[i + 3] - smooth[i - 3];
          const int gy = slope[i - 3] + 2 * slope[i] + slope[i + 3];
          const int square = gx * gx + gy * gy;
          if (square <= best) continue;
          best = square;
          best_x = gx;
          best_y = gy;
        }
        vector[x] = {static_cast<short>(best_x), static_cast<short>(best_y)};
        magnitude[x] = static_cast<std::uint16_t>(std::lround(std::sqrt(static_cast<float>(best))));
      }
    }
  });
  field.noise = std::max(median_magnitude(field.magnitude) / 1.1774, 2.0);
  return field;
}

std::vector<Segment> find_segments(const GradientField& field, double min_length_px,
                                   std::size_t max_count) {
  std::vector<Segment> all = RidgeLinker(field).run(std::max(min_length_px / 2, 5.0));
  const auto longer = [](const Segment& p, const Segment& q) { return p.length() > q.length(); };
  std::stable_sort(all.begin(), all.end(), longer);
  if (all.size() > 4 * max_count) all.resize(4 * max_count);
  std::vector<Segment> found;
  std::vector<bool> used(all.size(), false);
  std::vector<std::size_t> parts;  // a join may be wrong: its parts are kept as well
  for (std::size_t i = 0; i < all.size(); ++i) {
    if (used[i]) continue;
    Segment grown = all[i];
    bool joined = false;
    for (bool again = true; again;) {
      again = false;
      for (std::size_t k = i + 1; k < all.size(); ++k) {
        if (used[k] || !join(grown, all[k])) continue;
        used[k] = again = joined = true;
      }
    }
    if (grown.length() >= min_length_px) found.push_back(grown);
    if (joined) parts.push_back(i);
  }
  for (std::size_t i = 0; i < all.size(); ++i) {
    const bool joined = used[i] || std::binary_search(parts.begin(), parts.end(), i);
    if (joined && all[i].length() >= min_length_px) found.push_back(all[i]);
  }
  std::stable_sort(found.begin(), found.end(), longer);
  if (found.size() > max_count) found.resize(max_count);
  return found;
}

}  // namespace panecard::card
