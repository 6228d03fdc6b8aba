// Steps of a traced edge: on a made-up rectangle, and beside a bright thing in a rendered photo.
#include "trace/ledges.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <utility>
#include <vector>

#include "geom/geom.h"
#include "support/curve_match.h"
#include "trace/rectangle.h"
#include "trace/rendered.h"

namespace panecard::trace {
namespace {

constexpr double kHalfWidth_mm = 250, kHalfHeight_mm = 200;

PolygonMm rectangle(double radius_mm) {
  return rounded_rectangle(kHalfWidth_mm, kHalfHeight_mm, radius_mm, kEdgeRow_mm);
}

/// The top side of a rectangle lowered from x to x, over slides of 10 mm, with noise on it.
PolygonMm with_ledge(double from_mm, double to_mm, double by_mm, double radius_mm = 20) {
  support::Dice dice(5);
  PolygonMm curve = rectangle(radius_mm);
  for (PointMm& p : curve) {
    p = p + 0.1 * PointMm{dice.normal(), dice.normal()};
    if (p.y < kHalfHeight_mm - radius_mm) continue;
    const double in = std::min(p.x - from_mm, to_mm - p.x);
    p.y -= by_mm * std::clamp(0.5 + in / 10, 0.0, 1.0);
  }
  return curve;
}

}  // namespace

TEST_CASE("ledges_of: a stretch between two steps inwards and back is found, where and how deep") {
  for (const double by : {2.0, 3.0, 6.0}) {
    for (const auto& [from, to] : {std::pair{-60.0, 60.0}, {-150.0, -70.0}, {40.0, 140.0}}) {
      CAPTURE(by);
      const double begins_mm = from;
      CAPTURE(begins_mm);
      const PolygonMm curve = with_ledge(from, to, by);
      const std::vector<Ledge> found = ledges_of(curve, kEdgeRow_mm);
      REQUIRE(found.size() == 1);
      CHECK(found[0].first_mm == doctest::Approx(by).epsilon(0.15));
      CHECK(found[0].last_mm == doctest::Approx(by).epsilon(0.15));
      CHECK(found[0].count * kEdgeRow_mm == doctest::Approx(to - from).epsilon(0.1));
      // Counter-clockwise: along the top from right to left.
      const auto n = curve.size();
      CHECK(curve[found[0].first % n].x == doctest::Approx(to).epsilon(0.1));
    }
  }
}

TEST_CASE("ledges_of: from a step to the corner next to it") {
  const std::vector<Ledge> found = ledges_of(with_ledge(100, 1e3, 4), kEdgeRow_mm);
  REQUIRE(found.size() == 1);
  CHECK(found[0].first_mm == doctest::Approx(4).epsilon(0.15));
  CHECK(found[0].last_mm == doctest::Approx(4).epsilon(0.15));
}

TEST_CASE("ledges_of: panes as they are have none, nor has a step too small to tell") {
  for (const double radius : {5.0, 14.0, 40.0, 90.0, 199.0}) {
    CAPTURE(radius);
    CHECK(ledges_of(with_ledge(0, 0, 0, radius), kEdgeRow_mm).empty());
  }
  CHECK(ledges_of(with_ledge(-60, 60, 0.8), kEdgeRow_mm).empty());
  PolygonMm bowed = rectangle(20);
  for (PointMm& p : bowed) p.y += p.y > 0 ? 30 - p.x * p.x / 2000 : 0;
  CHECK(ledges_of(bowed, kEdgeRow_mm).empty());
  CHECK(ledges_of({}, kEdgeRow_mm).empty());
  CHECK(ledges_of({{0, 0}, {1, 0}, {0, 1}}, kEdgeRow_mm).empty());
}

TEST_CASE("left_as_they_are: a ledge worth a look is named with its side, depth and length") {
  const PolygonMm curve = with_ledge(-60, 60, 5);
  const std::vector<Finding> said = left_as_they_are(ledges_of(curve, kEdgeRow_mm), curve);
  REQUIRE(said.size() == 1);
  CHECK(said[0].code == "step_in_edge");
  CHECK(said[0].text.find("at the top the edge steps 5 mm inwards for 1") != std::string::npos);
  // A step of 2 mm, and one of 6 mm over no more than 20.
  const PolygonMm shallow = with_ledge(-60, 60, 2);
  CHECK(left_as_they_are(ledges_of(shallow, kEdgeRow_mm), shallow).empty());
  CHECK(left_as_they_are({{100, 20, 6, 6}}, curve).empty());
}

TEST_CASE(
    "trace: past a bright thing that ends just before a dark seal the edge goes straight on") {
  support::Wish wish;
  wish.family = support::Family::slider;
  wish.cards = support::CardKind::coded;
  wish.max_tilt_deg = 10;
  for (const auto& [seed, rim_mm] :
       {std::pair{2, 3.0}, {2, 4.0}, {3, 3.0}, {3, 4.0}, {6, 3.0}, {6, 4.0}}) {
    const int pane = seed;
    const double bright_from_mm = rim_mm;
    CAPTURE(pane);
    CAPTURE(bright_from_mm);
    support::Scene scene = support::random_scene(static_cast<std::uint64_t>(seed), wish);
    double low = 1e9;
    for (const support::Vertex& v : scene.vertices) low = std::min(low, v.at.y);
    scene.reflections.clear();
    scene.body_patches.clear();
    scene.body = {0.25F, 0.25F, 0.25F};
    scene.cabin_patches = {
        {-80, 60, low + rim_mm, low + 60, 0.5, support::Colour{0.35F, 0.35F, 0.3F}}};
    scene.cabin = {0.014F, 0.012F, 0.015F};
    scene.seal = {0.055F, 0.045F, 0.045F};
    const Rendered seen = rendered(scene);
    const auto traced = trace(seen.photo, seen.plane, seen.cards, {});
    REQUIRE(traced.ok());
    CHECK(support::match_curves(traced->contour.points, seen.truth_mm).max_mm < 1);
    CHECK(std::any_of(traced->findings.begin(), traced->findings.end(),
                      [](const Finding& f) { return f.code == "step_levelled"; }));
  }
}

}  // namespace panecard::trace
