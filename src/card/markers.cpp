#include "card/markers.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <opencv2/aruco.hpp>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "card/board.h"
#include "card/borders.h"

namespace panecard::card {

namespace {

constexpr int kBits = 5, kModules = 7;
constexpr int kWindow = 23;          // of the local mean, reduced px; wider than a marker's border
constexpr double kContrast = 7;      // grey levels below the local mean that count as black
constexpr double kMinContrast = 20;  // grey levels between a marker's black and its white margin
constexpr int kMinSide =
    9;  // reduced px: 1.3 px a module is the least that separates a quadrilateral
constexpr int kMaxBitErrors = 1;  // DICT_5X5_1000 keeps codes at least 5 bits apart

using Quad = std::array<cv::Point2d, 4>;

struct Code5x5 {
  int id;
  std::uint32_t bits;
};

std::vector<Code5x5> dictionary_of_our_boards() {
  const auto dictionary = cv::aruco::getPredefinedDictionary(cv::aruco::DICT_5X5_1000);
  std::vector<Code5x5> codes;
  for (int id = 0; id < dictionary->bytesList.rows; ++id) {
    if (!card_of_marker(id)) continue;
    const cv::Mat bits = cv::aruco::Dictionary::getBitsFromByteList(
        dictionary->bytesList.rowRange(id, id + 1), kBits);
    std::uint32_t word = 0;
    for (int i = 0; i < kBits * kBits; ++i) {
      word = word << 1 | (bits.at<uchar>(i / kBits, i % kBits) != 0 ? 1U : 0U);
    }
    codes.push_back({id, word});
  }
  return codes;
}

std::uint32_t bit_at(std::uint32_t word, int row, int column) {
  return word >> (kBits * kBits - 1 - (row * kBits + column)) & 1U;
}

template <typename Place>
std::uint32_t permuted(std::uint32_t word, Place place) {
  std::uint32_t result = 0;
  for (int row = 0; row < kBits; ++row) {
    for (int column = 0; column < kBits; ++column) {
      const auto [r, c] = place(row, column);
      result = result << 1 | bit_at(word, r, c);
    }
  }
  return result;
}

/// Least squares line through the contour between two vertices, its ends left out (they are
/// rounded).
struct Line {
  cv::Point2d point, direction;
};

std::optional<Line> side_line(const std::vector<cv::Point>& contour, int from, int to) {
  const int n = static_cast<int>(contour.size());
  const int length = (to - from + n) % n;
  const int margin = length / 6;
  if (length - 2 * margin < 3) return std::nullopt;
  cv::Point2d sum(0, 0);
  double sxx = 0, sxy = 0, syy = 0;
  const int count = length - 2 * margin + 1;
  for (int i = margin; i <= length - margin; ++i) sum += cv::Point2d(contour[(from + i) % n]);
  const cv::Point2d mean = sum / count;
  for (int i = margin; i <= length - margin; ++i) {
    const cv::Point2d d = cv::Point2d(contour[(from + i) % n]) - mean;
    sxx += d.x * d.x, sxy += d.x * d.y, syy += d.y * d.y;
  }
  const double angle = 0.5 * std::atan2(2 * sxy, sxx - syy);
  return Line{mean, {std::cos(angle), std::sin(angle)}};
}

std::optional<cv::Point2d> intersection(const Line& a, const Line& b) {
  const double det = a.direction.cross(b.direction);
  if (std::abs(det) < 0.1) return std::nullopt;
  return a.point + (b.point - a.point).cross(b.direction) / det * a.direction;
}

/// The quadrilateral around a contour, in reduced pixels with pixel centres at +0.5, clockwise on
/// the screen; nullopt when the contour is something else.
std::optional<Quad> quad_of(const std::vector<cv::Point>& contour) {
  const double perimeter = cv::arcLength(contour, true);
  // Area over squared perimeter: 0.03 for a square seen at 80 degrees, half of that with a ragged
  // border. Most contours are specks below that.
  constexpr double kMinCompactness = 0.01;
  if (cv::contourArea(contour) < kMinCompactness * perimeter * perimeter) return std::nullopt;
  std::vector<cv::Point> rough;
  cv::approxPolyDP(contour, rough, 0.05 * perimeter, true);
  if (rough.size() != 4 || !cv::isContourConvex(rough)) return std::nullopt;
  std::array<int, 4> at{};
  for (int i = 0; i < 4; ++i) {
    const auto found = std::find(contour.begin(), contour.end(), rough[i]);
    at[i] = static_cast<int>(found - contour.begin());
    if (cv::norm(rough[i] - rough[(i + 1) % 4]) < kMinSide - 1) return std::nullopt;
  }
  std::array<Line, 4> sides;
  for (int i = 0; i < 4; ++i) {
    auto line = side_line(contour, at[i], at[(i + 1) % 4]);
    if (!line) line = side_line(contour, at[(i + 1) % 4], at[i]);
    if (!line) return std::nullopt;
    sides[i] = *line;
  }
  Quad quad;
  for (int i = 0; i < 4; ++i) {
    const auto corner = intersection(sides[(i + 3) % 4], sides[i]);
    if (!corner || cv::norm(*corner - cv::Point2d(rough[i])) > 0.2 * perimeter) return std::nullopt;
    quad[i] = *corner;
  }
  if ((quad[1] - quad[0]).cross(quad[2] - quad[0]) < 0) std::swap(quad[1], quad[3]);
  // The contour runs through the centres of the outermost black pixels; the edge is half a pixel
  // on.
  const cv::Point2d centre = 0.25 * (quad[0] + quad[1] + quad[2] + quad[3]);
  for (cv::Point2d& corner : quad) {
    const cv::Point2d out = corner - centre;
    corner += out * (0.7 / std::max(1.0, cv::norm(out))) + cv::Point2d(0.5, 0.5);
  }
  return quad;
}

/// Mean grey around a point given in modules of the marker, from the full photo.
class ModuleReader {
 public:
  ModuleReader(const cv::Mat& grey, const Quad& quad_px) : grey_(grey) {
    const std::vector<cv::Point2f> from = {{0, 0},
                                           cv::Point2f(kModules, 0),
                                           cv::Point2f(kModules, kModules),
                                           cv::Point2f(0, kModules)};
    const std::vector<cv::Point2f> to(quad_px.begin(), quad_px.end());
    px_from_module_ = cv::Matx33d(cv::getPerspectiveTransform(from, to).ptr<double>());
  }

  double operator()(double x, double y) const {
    constexpr std::array<PointPx, 5> kPattern = {
        PointPx{0, 0}, {-0.2, -0.2}, {0.2, -0.2}, {0.2, 0.2}, {-0.2, 0.2}};
    double sum = 0;
    for (const PointPx d : kPattern) {
      const cv::Vec3d p = px_from_module_ * cv::Vec3d(x + d.x, y + d.y, 1);
      const int column = std::clamp(static_cast<int>(p[0] / p[2]), 0, grey_.cols - 1);
      const int row = std::clamp(static_cast<int>(p[1] / p[2]), 0, grey_.rows - 1);
      sum += grey_.at<uchar>(row, column);
    }
    return sum / kPattern.size();
  }

 private:
  const cv::Mat& grey_;
  cv::Matx33d px_from_module_;
};

/// The 25 bits, when the candidate has a black border inside a white margin.
std::optional<std::uint32_t> read_bits(const ModuleReader& grey_at) {
  std::vector<double> border, margin;
  for (int i = 0; i < kModules; ++i) {
    const double a = i + 0.5, last = kModules - 0.5;
    for (const auto [x, y] : {cv::Point2d{a, 0.5}, {a, last}, {0.5, a}, {last, a}}) {
      border.push_back(grey_at(x, y));
    }
    for (const auto [x, y] :
         {cv::Point2d{a, -0.5}, {a, kModules + 0.5}, {-0.5, a}, {kModules + 0.5, a}}) {
      margin.push_back(grey_at(x, y));
    }
  }
  const auto median = [](std::vector<double> v) {
    std::nth_element(v.begin(), v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2), v.end());
    return v[v.size() / 2];
  };
  const double black = median(border), white = median(margin);
  if (white - black < kMinContrast) return std::nullopt;
  const double middle = 0.5 * (black + white);
  const auto bright = [middle](double v) { return v > middle; };
  if (std::count_if(border.begin(), border.end(), bright) > 2) return std::nullopt;
  if (std::count_if(margin.begin(), margin.end(), bright) < 24) return std::nullopt;
  std::uint32_t word = 0;
  for (int row = 0; row < kBits; ++row) {
    for (int column = 0; column < kBits; ++column) {
      word = word << 1 | (bright(grey_at(column + 1.5, row + 1.5)) ? 1U : 0U);
    }
  }
  return word;
}

std::optional<Marker> match_code(std::uint32_t word, Quad quad, const std::vector<Code5x5>& codes) {
  for (int turn = 0; turn < 4; ++turn) {
    const std::uint32_t mirror =
        permuted(word, [](int r, int c) { return std::pair(r, kBits - 1 - c); });
    for (const bool mirrored : {false, true}) {
      for (const Code5x5& code : codes) {
        if (std::popcount(code.bits ^ (mirrored ? mirror : word)) > kMaxBitErrors) continue;
        Marker marker{code.id, mirrored, {}};
        constexpr std::array<int, 4> kSwapped = {1, 0, 3, 2};
        for (int i = 0; i < 4; ++i) {
          const cv::Point2d& p = quad[mirrored ? kSwapped[i] : i];
          marker.corners[i] = {p.x, p.y};
        }
        return marker;
      }
    }
    word = permuted(word, [](int r, int c) { return std::pair(c, kBits - 1 - r); });
    std::rotate(quad.begin(), quad.begin() + 1, quad.end());
  }
  return std::nullopt;
}

/// 255 where a pixel is darker than the local mean by kContrast. cv::adaptiveThreshold runs on one
/// core; here each core takes a band of rows with half a window of margin.
cv::Mat adaptive_threshold(const cv::Mat& grey) {
  cv::Mat black(grey.size(), CV_8U);
  const int parts = std::clamp(cv::getNumThreads(), 1, grey.rows / kWindow);
  cv::parallel_for_({0, parts}, [&](const cv::Range& range) {
    for (int part = range.start; part < range.end; ++part) {
      const int first = part * grey.rows / parts, last = (part + 1) * grey.rows / parts;
      const int from = std::max(0, first - kWindow / 2),
                to = std::min(grey.rows, last + kWindow / 2);
      cv::Mat with_margin;
      cv::adaptiveThreshold(grey.rowRange(from, to), with_margin, 255, cv::ADAPTIVE_THRESH_MEAN_C,
                            cv::THRESH_BINARY_INV, kWindow, kContrast);
      with_margin.rowRange(first - from, last - from).copyTo(black.rowRange(first, last));
    }
  });
  return black;
}

}  // namespace

std::vector<Marker> detect_markers(const cv::Mat& grey, int reduction) {
  cv::Mat reduced = grey;
  if (reduction > 1) {
    cv::resize(grey, reduced, cv::Size(grey.cols / reduction, grey.rows / reduction), 0, 0,
               cv::INTER_AREA);
  }
  std::vector<Marker> markers;
  if (reduced.cols <= kWindow || reduced.rows <= kWindow) return markers;
  const cv::Mat black = adaptive_threshold(reduced);
  // The perimeter of a convex polygon is at most that of its bounding box.
  const auto contours = outer_borders(black, 4 * kMinSide);

  const std::vector<Code5x5> codes = dictionary_of_our_boards();
  const double scale_x = static_cast<double>(grey.cols) / reduced.cols;
  const double scale_y = static_cast<double>(grey.rows) / reduced.rows;
  std::vector<std::optional<Marker>> found(contours.size());
  cv::parallel_for_({0, static_cast<int>(contours.size())}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      auto quad = quad_of(contours[i]);
      if (!quad) continue;
      for (cv::Point2d& corner : *quad) corner = {corner.x * scale_x, corner.y * scale_y};
      const auto word = read_bits(ModuleReader(grey, *quad));
      if (word) found[i] = match_code(*word, *quad, codes);
    }
  });
  for (const auto& marker : found) {
    if (marker) markers.push_back(*marker);
  }
  return markers;
}

}  // namespace panecard::card
