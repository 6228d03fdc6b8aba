#include "geom/geom.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <random>
#include <string>
#include <string_view>
#include <type_traits>
#include <utility>
#include <vector>

using namespace panecard;

static_assert(!std::is_convertible_v<PointPx, PointMm> && !std::is_convertible_v<PointMm, PointPx>);

namespace {

constexpr double kPi = std::numbers::pi;

PolygonMm moved(const PolygonMm& polygon, double turn_rad, PointMm shift) {
  PolygonMm result;
  for (const PointMm p : polygon) {
    result.push_back({std::cos(turn_rad) * p.x - std::sin(turn_rad) * p.y + shift.x,
                      std::sin(turn_rad) * p.x + std::cos(turn_rad) * p.y + shift.y});
  }
  return result;
}

PolygonMm regular(int corners, double circumradius) {
  PolygonMm polygon;
  for (int i = 0; i < corners; ++i) {
    polygon.push_back({circumradius * std::cos(2 * kPi * i / corners),
                       circumradius * std::sin(2 * kPi * i / corners)});
  }
  return polygon;
}

/// Star-shaped about the origin, hence free of crossings, counter-clockwise.
PolygonMm random_star(std::mt19937& random) {
  std::uniform_real_distribution<double> radius(50, 500), step(0.3, 1);
  PolygonMm polygon;
  for (double angle = 0; angle < 2 * kPi - 0.3; angle += 0.6 * step(random)) {
    const double r = radius(random);
    polygon.push_back({r * std::cos(angle), r * std::sin(angle)});
  }
  return polygon;
}

const PolygonMm kShoelace1 = {{3, 4}, {5, 11}, {12, 8}, {9, 5}, {5, 6}};
const PolygonMm kShoelace2 = {{1, 6}, {3, 1}, {7, 2}, {4, 4}, {8, 5}};
const PolygonMm kEll = {{0, 0}, {100, 0}, {100, 20}, {20, 20}, {20, 80}, {0, 80}};
const PolygonMm kQuad = {{0, 0}, {900, 0}, {820, 450}, {260, 430}};

Contour ring_contour(double sigma_mm, double correlation_length_mm) {
  Contour contour;
  contour.points = regular(720, 300);
  contour.sigma_mm.assign(contour.points.size(), sigma_mm);
  contour.seen.assign(contour.points.size(), true);
  contour.correlation_length_mm = correlation_length_mm;
  return contour;
}

}  // namespace

TEST_CASE(
    "area and perimeter agree with the usual shoelace textbook examples and hand arithmetic") {
  struct Row {
    const char* source;
    PolygonMm polygon;
    double area_mm2, perimeter_mm;
  };
  const Row rows[] = {
      {"shoelace textbook example (clockwise)", kShoelace1, -30, 26.0901},
      {"shoelace textbook example with a notch", kShoelace2, 16.5, 24.3080},
      {"rectangle", {{0, 0}, {200, 0}, {200, 100}, {0, 100}}, 20000, 600},
      {"L, two rectangles", kEll, 3200, 360},
      {"quadrilateral, two triangles", kQuad, 320300, 2419.9066},
  };
  for (const Row& row : rows) {
    CAPTURE(row.source);
    CHECK(std::abs(signed_area_mm2(row.polygon) - row.area_mm2) <= 1e-9);
    CHECK(std::abs(perimeter_mm(row.polygon) - row.perimeter_mm) <= 1e-4);
    const PolygonMm far = moved(row.polygon, 0, {1e7 + 0.25, -1e7});
    CHECK(std::abs(signed_area_mm2(far) - row.area_mm2) <= 1e-5);  // doubles hold 2e-9 mm out there
  }
  CHECK(signed_area_mm2({}) == 0);
  CHECK(perimeter_mm({{1, 1}}) == 0);
}

TEST_CASE("the smallest box has a side on the hull: regular polygons and two textbook polygons") {
  struct Row {
    const char* source;
    PolygonMm polygon;
    double long_mm, short_mm, tolerance_mm;
  };
  const Row rows[] = {
      {"hexagon of side 1: 2 x sqrt(3)", regular(6, 1), 2, std::sqrt(3.0), 1e-12},
      {"pentagon, circumradius 1: width 2 sin 72, height 1 + cos 36", regular(5, 1),
       2 * std::sin(72 * kPi / 180), 1 + std::cos(36 * kPi / 180), 1e-12},
      {"shoelace example 1, computed with NumPy; two rectangles tie", kShoelace1, 7.55483, 7.28011,
       1e-5},
      {"shoelace example 2, computed with NumPy", kShoelace2, 7.07107, 4.66690, 1e-5},
      {"a segment", {{0, 0}, {3, 4}}, 5, 0, 1e-12},
  };
  for (const Row& row : rows) {
    CAPTURE(row.source);
    for (const double turn : {0.0, 0.3, 1.9, 4.0}) {
      const OrientedBox box = min_area_box(moved(row.polygon, turn, {40, -7}));
      const double area = row.long_mm * row.short_mm;
      CHECK(std::abs(box.long_mm * box.short_mm - area) <= 16 * row.tolerance_mm + 1e-9);
      if (&row == &rows[2]) continue;  // 7.28011 x 7.55483 or 7.22194 x 7.61577
      CHECK(std::abs(box.long_mm - row.long_mm) <= row.tolerance_mm + 1e-10);
      CHECK(std::abs(box.short_mm - row.short_mm) <= row.tolerance_mm + 1e-10);
    }
  }
  const OrientedBox triangle = min_area_box({{0, 0}, {4, 0}, {0, 3}});  // 3 x 4 and 5 x 2.4 tie
  CHECK(std::abs(triangle.long_mm * triangle.short_mm - 12) <= 1e-12);
  CHECK(min_area_box({}).long_mm == 0);
  CHECK(min_area_box({{2, 3}}).centre.y == 3);
}

TEST_CASE(
    "no rectangle at any angle is smaller than the smallest box, and it encloses every point") {
  std::mt19937 random(7);
  for (int round = 0; round < 50; ++round) {
    const PolygonMm polygon = random_star(random);
    const OrientedBox box = min_area_box(polygon);
    const PointMm u{std::cos(box.angle_rad), std::sin(box.angle_rad)}, v{-u.y, u.x};
    for (const PointMm p : polygon) {
      CHECK(std::abs(dot(u, p - box.centre)) <= box.long_mm / 2 + 1e-9);
      CHECK(std::abs(dot(v, p - box.centre)) <= box.short_mm / 2 + 1e-9);
    }
    double least = std::numeric_limits<double>::infinity();
    for (int k = 0; k < 1800; ++k) {
      const double angle = kPi / 2 * k / 1800;
      const PointMm a{std::cos(angle), std::sin(angle)}, b{-a.y, a.x};
      double a0 = 1e9, a1 = -1e9, b0 = 1e9, b1 = -1e9;
      for (const PointMm p : polygon) {
        a0 = std::min(a0, dot(a, p)), a1 = std::max(a1, dot(a, p));
        b0 = std::min(b0, dot(b, p)), b1 = std::max(b1, dot(b, p));
      }
      least = std::min(least, (a1 - a0) * (b1 - b0));
    }
    CHECK(box.long_mm * box.short_mm <= least + 1e-6);
  }
}

TEST_CASE(
    "area, perimeter, box and hull do not depend on where the polygon lies or how it is turned") {
  std::mt19937 random(11);
  std::uniform_real_distribution<double> angle(0, 2 * kPi), shift(-3000, 3000);
  for (int round = 0; round < 100; ++round) {
    const PolygonMm polygon = random_star(random);
    PolygonMm other = moved(polygon, angle(random), {shift(random), shift(random)});
    std::rotate(other.begin(), other.begin() + round % static_cast<int>(other.size()), other.end());
    CHECK(std::abs(signed_area_mm2(polygon) - signed_area_mm2(other)) <= 1e-6);
    CHECK(std::abs(perimeter_mm(polygon) - perimeter_mm(other)) <= 1e-8);
    const OrientedBox a = min_area_box(polygon), b = min_area_box(other);
    CHECK(std::abs(a.long_mm - b.long_mm) <= 1e-8);
    CHECK(std::abs(a.short_mm - b.short_mm) <= 1e-8);
    CHECK(convex_hull(polygon).size() == convex_hull(other).size());
    CHECK(!self_intersects(polygon));
    CHECK(!self_intersects(other));
    std::reverse(other.begin(), other.end());
    CHECK(std::abs(signed_area_mm2(polygon) + signed_area_mm2(other)) <= 1e-6);
  }
}

TEST_CASE("the hull is counter-clockwise, strictly convex and encloses every point") {
  std::mt19937 random(3);
  std::uniform_int_distribution<int> grid(0, 9);  // a coarse grid: many points on one line
  for (int round = 0; round < 100; ++round) {
    PolygonMm points;
    for (int i = 0; i < 40; ++i) {
      points.push_back({static_cast<double>(grid(random)), static_cast<double>(grid(random))});
    }
    const PolygonMm hull = convex_hull(points);
    REQUIRE(hull.size() >= 3);
    for (std::size_t i = 0; i < hull.size(); ++i) {
      const PointMm a = hull[i], b = hull[(i + 1) % hull.size()], c = hull[(i + 2) % hull.size()];
      CHECK(cross(b - a, c - a) > 0);
      for (const PointMm p : points) CHECK(cross(b - a, p - a) >= 0);
    }
  }
  CHECK(convex_hull({{0, 0}, {1, 1}, {2, 2}, {1, 1}}).size() == 2);
}

TEST_CASE("self_intersects tells bow ties and folds from simple shapes") {
  struct Row {
    const char* what;
    PolygonMm polygon;
    bool crosses;
  };
  const Row rows[] = {
      {"square", {{0, 0}, {1, 0}, {1, 1}, {0, 1}}, false},
      {"square with a repeated vertex", {{0, 0}, {1, 0}, {1, 0}, {1, 1}, {0, 1}, {0, 0}}, false},
      {"L", kEll, false},
      {"bow tie", {{0, 0}, {1, 1}, {1, 0}, {0, 1}}, true},
      {"vertex touching an edge", {{0, 0}, {4, 0}, {4, 4}, {2, 0}, {0, 4}}, true},
      {"spike that folds back", {{0, 0}, {4, 0}, {4, 4}, {4, 2}, {0, 4}}, true},
      {"star of five",
       {{0, 1}, {0.588, -0.809}, {-0.951, 0.309}, {0.951, 0.309}, {-0.588, -0.809}},
       true},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    CHECK(self_intersects(row.polygon) == row.crosses);
  }
}

TEST_CASE("contains agrees with the winding angle on random polygons") {
  std::mt19937 random(5);
  std::uniform_real_distribution<double> at(-520, 520);
  int inside = 0;
  for (int round = 0; round < 40; ++round) {
    const PolygonMm polygon = random_star(random);
    for (int k = 0; k < 50; ++k) {
      const PointMm p{at(random), at(random)};
      double angle = 0;
      for (std::size_t i = 0; i < polygon.size(); ++i) {
        const PointMm a = polygon[i] - p, b = polygon[(i + 1) % polygon.size()] - p;
        angle += std::atan2(cross(a, b), dot(a, b));
      }
      CHECK(contains(polygon, p) == (std::abs(angle) > kPi));
      inside += contains(polygon, p) ? 1 : 0;
    }
  }
  CHECK(inside > 200);
  CHECK(!contains({}, {0, 0}));
}

TEST_CASE("resample puts points at equal arc length on the chords and closes evenly") {
  const PolygonMm points = resample(kEll, 7);  // perimeter 360: 51 steps of 7.0588
  REQUIRE(points.size() == 51);
  const double step = 360.0 / 51;
  for (const PointMm p : points) {
    double nearest = 1e9;
    for (std::size_t i = 0; i < kEll.size(); ++i) {
      const PointMm a = kEll[i], b = kEll[(i + 1) % kEll.size()];
      const double t = std::clamp(dot(p - a, b - a) / dot(b - a, b - a), 0.0, 1.0);
      nearest = std::min(nearest, distance(p, a + t * (b - a)));
    }
    CHECK(nearest <= 1e-9);
  }
  for (std::size_t i = 0; i < points.size(); ++i) {
    CHECK(distance(points[i], points[(i + 1) % points.size()]) <= step + 1e-9);
  }
  CHECK(std::abs(distance(points.back(), points.front()) - step) <= 1e-9);
  CHECK(resample(kEll, 0).size() == kEll.size());
  CHECK(resample(kEll, 1e9).size() == 3);
}

TEST_CASE("normals of a circle point away from its centre, and of a rectangle's sides outwards") {
  const PolygonMm ring = regular(90, 50);
  const PolygonMm normals = outward_normals(ring);
  for (std::size_t i = 0; i < ring.size(); ++i) {
    CHECK(distance(normals[i], (1.0 / 50) * ring[i]) <= 1e-12);
  }
  const PolygonMm side = outward_normals({{0, 0}, {1, 0}, {2, 0}, {2, 2}, {0, 2}});
  CHECK(distance(side[1], {0, -1}) <= 1e-12);
}

TEST_CASE(
    "noise bumps carry exactly sigma squared at every point, and as many as fit the correlation") {
  struct Row {
    double correlation_length_mm;
    std::size_t most, bumps;
  };
  // Perimeter 1884.95: 188 bumps of 10 mm; the cap and the floor of eight otherwise.
  constexpr Row kRows[] = {{10, 1000, 188}, {1, 200, 200}, {5000, 200, 8}, {30, 200, 62}};
  for (const Row& row : kRows) {
    CAPTURE(row.correlation_length_mm);
    Contour contour = ring_contour(0.1, row.correlation_length_mm);
    for (std::size_t i = 0; i < 100; ++i) contour.sigma_mm[i] = 0.7;
    const auto bumps = noise_modes(contour, row.most);
    CHECK(bumps.size() == row.bumps);
    std::vector<double> variance(contour.points.size(), 0.0);
    for (const NoiseMode& bump : bumps) {
      for (std::size_t k = 0; k < bump.along_normal_mm.size(); ++k) {
        variance[(bump.first + k) % variance.size()] +=
            bump.along_normal_mm[k] * bump.along_normal_mm[k];
      }
    }
    for (std::size_t i = 0; i < variance.size(); ++i) {
      const double sigma = contour.sigma_mm[i];
      CHECK(std::abs(variance[i] - sigma * sigma) <= 1e-12);
    }
  }
}

TEST_CASE(
    "all modes are the shared ones first, then noise along the normal, and they make up the u95") {
  Contour contour = ring_contour(0.05, 20);
  contour.modes.push_back(PolygonMm(contour.points.size(), PointMm{0.3, 0}));
  contour.mode_sources.emplace_back(ErrorSource::corner_noise);
  const auto modes = all_modes(contour);
  CHECK(modes.size() == 1 + 94);  // 1884.95 / 20
  CHECK(modes[0][5].x == 0.3);
  const auto u95 = u95_normal_mm(contour);
  const PolygonMm normals = outward_normals(contour.points);
  for (std::size_t i = 0; i < u95.size(); ++i) {
    double variance = 0;
    for (const auto& mode : modes) variance += std::pow(dot(mode[i], normals[i]), 2);
    CHECK(std::abs(u95[i] - 2 * std::sqrt(variance)) <= 1e-12);
  }
  CHECK(std::abs(u95[0] - 2 * std::hypot(0.3, 0.05)) <= 1e-12);  // normal along x
  CHECK(std::abs(u95[180] - 2 * 0.05) <= 1e-12);                 // normal along y
}

TEST_CASE("bumps of a hopeless contour are none") {
  Contour contour;
  CHECK(noise_modes(contour, 200).empty());
  contour.points.assign(10, PointMm{1, 1});
  contour.sigma_mm.assign(10, 0.1);
  CHECK(noise_modes(contour, 200).empty());
}

TEST_CASE("runs on a closed list join over its end and are found where they begin") {
  using Runs = std::vector<std::pair<int, int>>;
  struct Row {
    std::string belongs;  // one letter per item; the same letters side by side are one run
    Runs expected;        // first, count
  };
  const std::vector<Row> rows = {
      {"", {}},
      {".", {}},
      {"a", {{0, 1}}},
      {"....", {}},
      {"aaaa", {{0, 4}}},
      {"a...", {{0, 1}}},
      {"...a", {{3, 1}}},
      {".aa.a", {{1, 2}, {4, 1}}},
      {"aa.a", {{3, 3}}},
      {"a.b.a", {{2, 1}, {4, 2}}},
      {"abb.a", {{1, 2}, {4, 2}}},
      {"aabb", {{0, 2}, {2, 2}}},
      {"baab", {{1, 2}, {3, 2}}},
      {"ab", {{0, 1}, {1, 1}}},
  };
  for (const Row& row : rows) {
    CAPTURE(row.belongs);
    Runs found;
    for (const Run& run : circular_runs(
             static_cast<int>(row.belongs.size()), [&](int i) { return row.belongs[i] != '.'; },
             [&](int before, int i) { return row.belongs[before] == row.belongs[i]; })) {
      found.emplace_back(run.first, run.count);
    }
    CHECK(found == row.expected);
  }
  CHECK(circular_runs(5, [](int i) { return i != 2; }).size() == 1);
}

TEST_CASE("indices wrap into a closed list from both ends") {
  const std::vector<std::array<int, 3>> rows = {{0, 4, 0},  {3, 4, 3},  {4, 4, 0}, {9, 4, 1},
                                                {-1, 4, 3}, {-8, 4, 0}, {7, 1, 0}};
  for (const auto& [i, n, expected] : rows) CHECK(wrapped(i, n) == expected);
}

TEST_CASE("every source of error has its own text, and a text read back is that source again") {
  std::vector<std::string_view> texts;
  for (int k = 0; k <= static_cast<int>(ErrorSource::box_choice); ++k) {
    const auto source = static_cast<ErrorSource>(k);
    CAPTURE(k);
    CHECK(!text(source).empty());
    CHECK(std::find(texts.begin(), texts.end(), text(source)) == texts.end());
    CHECK(SourceName(std::string(text(source))) == source);
    texts.push_back(text(source));
  }
  // The contract's texts of the result file.
  CHECK(text(ErrorSource::edge_definition) == "definition of the edge");
  CHECK(text(ErrorSource::edge_choice) == "choice of edge");
  CHECK(text(ErrorSource::box_choice) == "choice of box");
  CHECK(SourceName("of another version").text() == "of another version");
  CHECK(SourceName("of another version") != ErrorSource::lens);
}
