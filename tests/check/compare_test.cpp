#include <doctest/doctest.h>

#include <cmath>
#include <numbers>

#include "check/check.h"
#include "check/panes.h"

namespace panecard::check {

namespace {

/// A pane without any symmetry.
PolygonMm pane() { return test::rounded({PointMm{0, 0}, {700, 30}, {560, 400}, {40, 340}}, 25); }

PolygonMm mirrored(PolygonMm points) {
  for (PointMm& p : points) p.x = -p.x;
  std::reverse(points.begin(), points.end());
  return points;
}

/// A notch 20 mm long, 3 mm deep, in the top side; or a bump.
PolygonMm with_bump(PolygonMm points, double depth) {
  const PolygonMm normals = outward_normals(points);
  for (std::size_t i = 0; i < points.size(); ++i) {
    const double u = (points[i].x - 300) / 20;
    if (points[i].y < 300 || std::abs(u) > 1) continue;
    points[i] = points[i] + depth * (1 - u * u) * normals[i];
  }
  return points;
}

}  // namespace

TEST_CASE("the same outline is found the same, however it was turned, and another one is not") {
  struct Row {
    std::string what;
    PolygonMm first, second;
    bool mirrored;
    Verdict same;
    double gap, overlap;
  };
  const PolygonMm p = pane();
  const std::vector<Row> rows = {
      {"itself", p, p, false, Verdict::yes, 0, 0},
      {"turned by half", test::turned(p, std::numbers::pi, {900, -300}), p, false, Verdict::yes, 0,
       0},
      {"turned by 100 degrees", test::turned(p, 1.745, {-50, 80}), p, false, Verdict::yes, 0, 0},
      {"mirrored, and said so", test::turned(mirrored(p), 2, {5, 5}), p, true, Verdict::yes, 0, 0},
      {"mirrored, not said", mirrored(p), p, false, Verdict::no, -1, -1},
      {"a bump of 5 mm", with_bump(p, 5), p, false, Verdict::no, 0, 5},
      {"a notch of 5 mm", with_bump(p, -5), p, false, Verdict::no, 5, 0},
      {"without the other's bump", p, with_bump(p, 5), false, Verdict::no, 5, 0},
      {"a bump of 2 mm, the tolerance", with_bump(p, 2), p, false, Verdict::cannot_tell, 0, 2},
      {"a rectangle", test::rounded(test::rectangle(700, 340), 25), p, false, Verdict::no, -1, -1},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    const auto c =
        compare(test::shape_of(row.first, 0.3), test::shape_of(row.second, 0.3), row.mirrored, 2);
    REQUIRE(c.ok());
    CHECK(c->same == row.same);
    // 3 mm between points: a bump's top is met within 1.5 mm, 5 (1.5 / 20)^2 = 0.03 mm.
    if (row.gap >= 0) CHECK(std::abs(c->gap.size_mm - row.gap) < 0.06);
    if (row.overlap >= 0) CHECK(std::abs(c->overlap.size_mm - row.overlap) < 0.06);
    CHECK(c->within_u95 == (row.gap == 0 && row.overlap == 0));
  }
}

TEST_CASE("where they differ is said as the photo of the second stands") {
  const PolygonMm p = pane();
  const auto c = compare(test::shape_of(with_bump(p, 5), 0.3), test::shape_of(p, 0.3), false, 2);
  REQUIRE(c.ok());
  // The bump is at x = 300 of 0 to 700 on the upper side; the middle of the vertices is about 340.
  CHECK(c->overlap.where == "top, 12 o'clock");
}

TEST_CASE("two photos of one pane are within their combined uncertainty in 95 of 100") {
  // The factor for all places together is Sidak's; Monte Carlo of both outlines' sources.
  const Shape truth = test::shape_of(pane());
  std::mt19937 random(11);
  constexpr int kPairs = 40;
  int within = 0, point_inside = 0, points = 0;
  for (int i = 0; i < kPairs; ++i) {
    const auto c = compare(test::drawn(truth, random), test::drawn(truth, random), false, 2);
    REQUIRE(c.ok());
    within += c->within_u95 ? 1 : 0;
    for (std::size_t k = 0; k < c->off_mm.size(); ++k) {
      point_inside += std::abs(c->off_mm[k]) <= c->u95_mm[k] ? 1 : 0;
      ++points;
    }
  }
  CAPTURE(within);
  CHECK(within >= 34);  // binomial: 38 less three standard deviations of 1.4
  CAPTURE(100.0 * point_inside / points);
  CHECK(100.0 * point_inside / points > 93);
  CHECK(100.0 * point_inside / points < 98);
}

TEST_CASE("without sources of error the two plus-minus simply add") {
  Shape a = test::shape_of(pane(), 0.3), b = a;
  b.sources_known = false;
  a.u95_mm.assign(a.u95_mm.size(), 0.7);
  b.u95_mm.assign(b.u95_mm.size(), 0.4);
  const auto c = compare(a, b, false, 2);
  REQUIRE(c.ok());
  REQUIRE(c->u95_mm.size() > 100);
  for (const double u : c->u95_mm) CHECK(std::abs(u - 1.1) < 1e-9);
}

}  // namespace panecard::check
