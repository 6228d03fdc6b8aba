// No-fit polygons against GEOS on the shapes themselves.
#include "layout/no_fit.h"

#include <doctest/doctest.h>

#include "shapes.h"

namespace panecard::layout {
namespace {

double area_of(const NoFitPolygon& no_fit) {
  double sum = 0;
  for (const PolygonMm& loop : no_fit.loops()) sum += signed_area_mm2(loop);
  return sum;
}

/// Every other one with corners in whole numbers, where edges lie upon edges.
Form random_form(SplitMix64& random) {
  const int corners = 4 + static_cast<int>(random.below(12));
  PolygonMm p = random_star(random, corners, random.between(3, 10), random.between(0.2, 1));
  if (random.unit() < 0.5) return form_from(p);
  PolygonMm whole = p;
  for (PointMm& q : whole) q = {std::round(q.x), std::round(q.y)};
  const bool usable = signed_area_mm2(whole) > 0 && !self_intersects(whole);
  return form_from(usable ? whole : p);
}

PointMm nearest(const NoFitPolygon& no_fit, PointMm r) {
  PointMm best{1e9, 1e9};
  for (const PolygonMm& loop : no_fit.loops()) {
    for (std::size_t i = 0; i < loop.size(); ++i) {
      const PointMm a = loop[i], along = loop[(i + 1) % loop.size()] - a;
      const PointMm p = a + std::clamp(dot(r - a, along) / dot(along, along), 0.0, 1.0) * along;
      if (distance(p, r) < distance(best, r)) best = p;
    }
  }
  return best;
}

bool apart_after(const Geos& geos, const Form& a, const Form& b, PointMm r, double move,
                 double turn) {
  return geos.apart(a.points,
                    shifted(b.points, r + move * PointMm{std::cos(turn), std::sin(turn)}));
}

/// @return whether they overlap at `r`
bool check_depth(const Geos& geos, const Form& a, const Form& b, const NoFitPolygon& no_fit,
                 PointMm r) {
  const double depth = no_fit.depth(static_cast<float>(r.x), static_cast<float>(r.y));
  const auto common = [&](PointMm at) {
    return geos.common(geos.polygon(a.points).get(), geos.polygon(shifted(b.points, at)).get());
  };
  if (depth <= 0) {
    CHECK(common(r) <= 1e-4);
    return false;
  }
  constexpr int kWays = 60;
  int ended_early = 0;
  for (int w = 0; w < kWays; ++w) {
    const double turn = 2 * std::numbers::pi * w / kWays;
    if (apart_after(geos, a, b, r, depth - 1e-3, turn)) ++ended_early;
  }
  CHECK(ended_early == 0);
  const PointMm out = nearest(no_fit, r);
  CHECK(std::abs(distance(r, out) - depth) <= 1e-4);
  CHECK(common(out) <= 1e-4);
  return true;
}

}  // namespace

TEST_CASE("no-fit: depth is the shortest move after which GEOS sees no overlap") {
  SplitMix64 random(3);
  const Geos geos;
  int deep = 0;
  for (int k = 0; k < 12 * kRepeats; ++k) {
    CAPTURE(k);
    const Form a = random_form(random), b = random_form(random);
    const NoFitPolygon no_fit(a, b, 0);
    for (int m = 0; m < 5; ++m) {
      const PointMm r{random.between(-b.width, a.width), random.between(-b.height, a.height)};
      if (check_depth(geos, a, b, no_fit, r)) ++deep;
    }
  }
  CHECK(deep > 12);
}

TEST_CASE("no-fit: edges that lie upon each other leave no way out without width") {
  // Two pieces of poly1a (ESICUP), with two edges in one line: a union had a spike along it.
  const Geos geos;
  const Form a = form_from({{4, 0}, {6, 7}, {0, 4}}),
             b = form_from({{2, 0}, {6, 2}, {9, 1}, {7, 3}, {3, 5}, {5, 7}, {0, 8}});
  for (const double along : {-5.0, -3.0, -1.0}) {
    const PointMm r{along, 5 + along / 2};
    CHECK(check_depth(geos, a, b, NoFitPolygon(a, b, 0), r));
    CHECK(check_depth(geos, b, a, NoFitPolygon(b, a, 0), {-r.x, -r.y}));
  }
}

TEST_CASE("no-fit: the grid is within a cell of the depth, and exact about where overlap ends") {
  SplitMix64 random(4);
  for (int k = 0; k < 5 * kRepeats; ++k) {
    CAPTURE(k);
    const Form a = random_form(random), b = random_form(random);
    constexpr int kNodes = 24;
    const NoFitPolygon exact(a, b, 0), quick(a, b, kNodes);
    const double cell = std::hypot(a.width + b.width, a.height + b.height) / (kNodes - 1);
    for (int m = 0; m < 200; ++m) {
      const auto x = static_cast<float>(random.between(-b.width, a.width)),
                 y = static_cast<float>(random.between(-b.height, a.height));
      CHECK((quick.depth(x, y) > 0) == (exact.depth(x, y) > 0));
      CHECK(std::abs(quick.depth(x, y) - exact.depth(x, y)) <= cell);
    }
  }
}

TEST_CASE("no-fit: of convex shapes it is the convex hull of all differences of corners") {
  SplitMix64 random(5);
  for (int k = 0; k < 20 * kRepeats; ++k) {
    CAPTURE(k);
    const Form a = form_from(convex_hull(random_form(random).points)),
               b = form_from(convex_hull(random_form(random).points));
    const NoFitPolygon no_fit(a, b, 0);
    PolygonMm all;
    for (const PointMm p : a.points) {
      for (const PointMm q : b.points) all.push_back(p - q);
    }
    const double expected = signed_area_mm2(convex_hull(all));
    CHECK(no_fit.loops().size() == 1);
    CHECK(std::abs(area_of(no_fit) - expected) <= 1e-9 * expected);
  }
}

TEST_CASE("no-fit: what fits into a hollow but not through its mouth leaves a hole") {
  // A ring, 2 thick round 10 x 10, with a mouth 2 high; a 4 x 4 square has 6 x 6 to move in.
  const Form ring = form_from({{0, 0},
                               {14, 0},
                               {14, 6},
                               {12, 6},
                               {12, 2},
                               {2, 2},
                               {2, 12},
                               {12, 12},
                               {12, 8},
                               {14, 8},
                               {14, 14},
                               {0, 14}});
  const Form square = form_from({{0, 0}, {4, 0}, {4, 4}, {0, 4}});
  const NoFitPolygon no_fit(ring, square, 0);
  REQUIRE(no_fit.loops().size() == 2);
  CHECK(std::abs(area_of(no_fit) - (18 * 18 - 36)) <= 1e-4);
  CHECK(no_fit.depth(5, 5) <= 0);
  CHECK(std::abs(no_fit.depth(1, 5) - 1) <= 1e-4);  // back into the hollow
  CHECK(std::abs(no_fit.depth(9, 5) - 1) <= 1e-4);
  CHECK(std::abs(no_fit.depth(13, 5) - 1) <= 1e-4);  // out
}

}  // namespace panecard::layout
