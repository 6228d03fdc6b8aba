#include "trace/polar.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

namespace panecard::trace {

bool overlap(const Rays& a, const Rays& b) {
  return wrapped(b.first - a.first, kRays) < a.count || wrapped(a.first - b.first, kRays) < b.count;
}

PointMm direction(int ray) { return {std::cos(ray * kTurn), std::sin(ray * kTurn)}; }

PointMm middle_of(const std::vector<PolygonMm>& cards) {
  PointMm sum;
  int corners = 0;
  for (const PolygonMm& card : cards) {
    for (const PointMm& p : card) {
      sum = sum + p;
      ++corners;
    }
  }
  return (1.0 / corners) * sum;
}

namespace {

constexpr double kInner_mm = 25, kOuter_mm = 1800;
constexpr int kGrid = 4;  // cells between the points that are mapped: the map is smooth
static_assert(kRays % kGrid == 0);

double radius_mm(int column) { return kInner_mm * std::exp(column * kTurn); }

// The last crossing of the ray with a card, in mm; the curve must pass outside.
double card_reach_mm(const std::vector<PolygonMm>& cards, PointMm centre, double angle) {
  const PointMm u{std::cos(angle), std::sin(angle)};
  double reach = 0;
  for (const PolygonMm& card : cards) {
    for (std::size_t i = 0; i < card.size(); ++i) {
      const PointMm a = card[i] - centre, b = card[(i + 1) % card.size()] - centre;
      const double ca = cross(u, a), cb = cross(u, b);
      if ((ca > 0) == (cb > 0)) continue;
      reach = std::max(reach, dot(u, a + ca / (ca - cb) * (b - a)));
    }
  }
  return reach;
}

// Pixels of every kGrid-th ray and column, the first ray again at the end.
struct Grid {
  int from = 0;  // column of the first
  cv::Mat px;    // CV_64FC2
  cv::Mat in_front;
};

Grid map_grid(const Sight& sight, PointMm centre, int from, int to) {
  const int rows = kRays / kGrid + 1, columns = (to - from + kGrid - 1) / kGrid + 1;
  Grid grid{from, cv::Mat(rows, columns, CV_64FC2), cv::Mat(rows, columns, CV_8U)};
  std::vector<double> radius(columns);
  for (int j = 0; j < columns; ++j) radius[j] = radius_mm(from + j * kGrid);
  cv::parallel_for_({0, rows}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const PointMm along = direction(i * kGrid);
      for (int j = 0; j < columns; ++j) {
        const PointMm at = centre + radius[j] * along;
        const PointPx p = sight.px(at);
        grid.px.at<cv::Vec2d>(i, j) = {p.x, p.y};
        grid.in_front.at<unsigned char>(i, j) = sight.in_front(at) ? 1 : 0;
      }
    }
  });
  return grid;
}

bool inside_photo(const cv::Vec2d& p, cv::Size size) {
  return p[0] >= 1 && p[1] >= 1 && p[0] <= size.width - 1 && p[1] <= size.height - 1;
}

// One past the last column of which any cell may lie inside the photo.
int last_inside(const Grid& grid, cv::Size size) {
  for (int j = grid.px.cols - 1; j >= 0; --j) {
    for (int i = 0; i < grid.px.rows; ++i) {
      if (inside_photo(grid.px.at<cv::Vec2d>(i, j), size)) return grid.from + (j + 1) * kGrid + 1;
    }
  }
  return grid.from;
}

// Maps and samples a block of rays and columns; marks which cells lie inside the photo.
cv::Mat sample_block(const Pyramid& photo, const Grid& grid, int first_ray, int rays,
                     const cv::Range& columns, double px_per_sample, cv::Mat inside) {
  cv::Mat x(rays, columns.size(), CV_32F), y(rays, columns.size(), CV_32F);
  const int first_knot = columns.start / kGrid, knots = (columns.end - 1) / kGrid + 2 - first_knot;
  std::vector<cv::Vec2d> knot(knots);
  std::vector<char> front(knots);
  for (int row = 0; row < rays; ++row) {
    const int ray = (first_ray + row + kRays) % kRays, i = ray / kGrid;
    const double v = static_cast<double>(ray % kGrid) / kGrid;
    const auto *a = grid.px.ptr<cv::Vec2d>(i) + first_knot,
               *b = grid.px.ptr<cv::Vec2d>(i + 1) + first_knot;
    const auto *front_a = grid.in_front.ptr<char>(i) + first_knot,
               *front_b = grid.in_front.ptr<char>(i + 1) + first_knot;
    for (int k = 0; k < knots; ++k) {
      knot[k] = (1 - v) * a[k] + v * b[k];
      front[k] = front_a[k] != 0 && front_b[k] != 0 ? 1 : 0;
    }
    auto *to_x = x.ptr<float>(row), *to_y = y.ptr<float>(row);
    auto* to_inside = inside.ptr<unsigned char>(row);
    for (int c = columns.start; c < columns.end; ++c) {
      const int k = c / kGrid - first_knot;
      const double u = static_cast<double>(c % kGrid) / kGrid;
      // Between a point before the camera and one behind it there is nothing to interpolate.
      const cv::Vec2d p = front[k] != 0 && front[k + 1] != 0 ? (1 - u) * knot[k] + u * knot[k + 1]
                                                             : cv::Vec2d(-1e6, -1e6);
      to_x[c - columns.start] = static_cast<float>(p[0]);
      to_y[c - columns.start] = static_cast<float>(p[1]);
      to_inside[c] = inside_photo(p, photo.size()) ? 1 : 0;
    }
  }
  return photo.sample(x, y, px_per_sample);
}

// Bands of rays, each with some more on either side for the blur, so that only the result is as
// large as the whole.
void sample_cells(const Pyramid& photo, const Sight& sight, const Grid& grid, Polar& polar) {
  constexpr int kBands = 8, kRaysPerBand = kRays / kBands, kMargin = 6;
  static_assert(kRaysPerBand * kBands == kRays);
  constexpr double kBlur = 1.2;
  const cv::Size kernel(9, 9);  // three sigma to either side
  const int columns = polar.columns();
  const double px_per_mm = sight.px_per_mm(polar.centre);
  polar.root.create(kRays, columns, CV_32FC3);
  polar.valid.create(kRays, columns, CV_8U);
  cv::parallel_for_({0, kBands}, [&](const cv::Range& range) {
    for (int band = range.start; band < range.end; ++band) {
      const int first = band * kRaysPerBand, rays = kRaysPerBand + 2 * kMargin;
      cv::Mat bgr(rays, columns, CV_8UC3), inside(rays, columns, CV_8U);
      // Columns far out cover many pixels each; a block of columns shares one level of the pyramid.
      constexpr int kBlock = 60;
      for (int c = 0; c < columns; c += kBlock) {
        const cv::Range block(c, std::min(c + kBlock, columns));
        const double cell_mm = polar.radius_mm[(block.start + block.end) / 2] * kTurn;
        sample_block(photo, grid, first - kMargin, rays, block, px_per_mm * cell_mm, inside)
            .copyTo(bgr.colRange(block));
      }
      cv::Mat root = polar.root.rowRange(first, first + kRaysPerBand);
      const cv::Range middle(kMargin, kMargin + kRaysPerBand);
      cv::GaussianBlur(root_intensity(bgr).rowRange(middle), root, kernel, kBlur, kBlur,
                       cv::BORDER_REPLICATE);
      cv::Mat valid = polar.valid.rowRange(first, first + kRaysPerBand);
      cv::erode(inside.rowRange(middle), valid, cv::Mat::ones(11, 11, CV_8U), {-1, -1}, 1,
                cv::BORDER_CONSTANT, 1);
    }
  });
}

}  // namespace

PointMm Polar::at(int ray, int column) const { return centre + radius_mm[column] * direction(ray); }

Polar sample_polar(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards) {
  Polar polar;
  polar.centre = middle_of(cards);
  polar.first.resize(kRays);
  // A pane that holds all cards holds what lies between them, unless it is bent in there; panes
  // hardly are.
  constexpr double kBeyondCard = 1.04, kOfHull = 0.85;
  PolygonMm corners;
  for (const PolygonMm& card : cards) corners.insert(corners.end(), card.begin(), card.end());
  const std::vector<PolygonMm> hull{convex_hull(corners)};
  for (int ray = 0; ray < kRays; ++ray) {
    const double reach = std::max(kBeyondCard * card_reach_mm(cards, polar.centre, ray * kTurn),
                                  kOfHull * card_reach_mm(hull, polar.centre, ray * kTurn));
    polar.first[ray] =
        reach <= kInner_mm ? 0 : static_cast<int>(std::ceil(std::log(reach / kInner_mm) / kTurn));
  }
  const int from = *std::min_element(polar.first.begin(), polar.first.end());
  const int most = static_cast<int>(std::log(kOuter_mm / kInner_mm) / kTurn);
  const Grid grid = map_grid(sight, polar.centre, from, most);
  const int columns = std::min(most, last_inside(grid, photo.size())) - from;
  for (int& first : polar.first) first -= from;
  for (int c = 0; c < columns; ++c) polar.radius_mm.push_back(radius_mm(from + c));
  if (columns <= 0) return polar;

  sample_cells(photo, sight, grid, polar);
  return polar;
}

}  // namespace panecard::trace
