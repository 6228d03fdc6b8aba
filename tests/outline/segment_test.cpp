#include "outline/segment.h"

#include <doctest/doctest.h>

#include <cmath>

#include "outline/shapes.h"

using namespace panecard;
using namespace panecard::outline;

TEST_CASE(
    "a circle on its own is Taubin's: Gander, Golub and Strebel's points, BIT 34 (1994) 558-578") {
  Samples samples;
  samples.points = {{1, 7}, {3, 7}, {2, 6}, {5, 8}, {7, 7}, {9, 5}};
  samples.weight.assign(6, 1.0);
  const Link link = fit_alone(samples, PieceKind::arc, 0, 6);
  const LinkPoint middle = link_point_at(link, 0);
  const PointMm left{-std::sin(middle.heading_rad), std::cos(middle.heading_rad)};
  const PointMm centre = middle.place + (1 / link.curvature) * left;
  // Taubin's answer for these points, computed with NumPy.
  CHECK(std::abs(centre.x - 4.613933) <= 1e-5);
  CHECK(std::abs(centre.y - 2.795209) <= 1e-5);
  CHECK(std::abs(std::abs(1 / link.curvature) - 4.879213) <= 1e-5);
}

TEST_CASE("clean rounded polygons are cut into as many lines and arcs as they have") {
  const test::RoundedPolygon shape{{{-230, -200}, {230, -200}, {230, 200}, {-230, 200}}, 14};
  Samples samples;
  samples.points = shape.points(1.5);
  samples.weight.assign(samples.points.size(), 100.0);
  samples.cost_per_unknown = 5;
  CHECK(segment(samples).links.size() == 8);
}
