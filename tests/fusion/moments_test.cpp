#include "fusion/moments.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "check/panes.h"

namespace panecard::fusion {
namespace {

PolygonMm mirrored(PolygonMm points) {
  for (PointMm& p : points) p.x = -p.x;
  std::reverse(points.begin(), points.end());
  return points;
}

}  // namespace

TEST_CASE("moments of a rectangle are those of the books") {
  // c11 is the polar moment of area: a b (a^2 + b^2) / 12 (any table of second moments of area).
  const double a = 600, b = 400;
  const PolygonMm rectangle = {{0, 0}, {a, 0}, {a, b}, {0, b}};
  const Moments m = moments_of(rectangle);
  const double radius = std::sqrt(a * b / std::numbers::pi);
  CHECK(std::abs(m.radius_mm - radius) < 1e-3);
  CHECK(std::abs(m.c[0].real() - (a * a + b * b) / 12 / radius) < 1e-3);
  CHECK(std::abs(m.c[1].real() - (a * a - b * b) / 12 / radius) < 1e-3);  // c20: Ixx less Iyy
  CHECK(std::abs(m.c[2]) < 1e-3);  // symmetric: no third ones
  CHECK(std::abs(m.c[3]) < 1e-3);
}

TEST_CASE("turn and mirror are read off the moments") {
  const PolygonMm pane = check::test::invented(3);
  const auto noise = noise_of(pane);
  for (const double turn : {0.0, 0.4, 1.9, 3.1, 5.2}) {
    for (const bool mirror : {false, true}) {
      const PolygonMm other =
          check::test::turned(mirror ? mirrored(pane) : pane, turn, {300, -200});
      const Rotation found = best_rotation(moments_of(pane), moments_of(other), noise);
      CHECK(found.mirrored == mirror);
      CHECK(std::abs(std::remainder(found.rad - turn, 2 * std::numbers::pi)) < 0.02);
      CHECK(found.distance_mm < 1);
      CHECK(rotation_invariant_distance_mm2(moments_of(pane), moments_of(other), noise) < 1e-4);
    }
  }
}

}  // namespace panecard::fusion
