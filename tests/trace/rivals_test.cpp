// Rivals of the edge taken, on a made-up pane: a rectangle of 600 x 400 mm with round corners.
#include "trace/rivals.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "geom/geom.h"
#include "trace/rectangle.h"

namespace panecard::trace {
namespace {

constexpr double kRow_mm = 2, kHalfWidth_mm = 300, kHalfHeight_mm = 200, kRadius_mm = 20;

PolygonMm rectangle() {
  return rounded_rectangle(kHalfWidth_mm, kHalfHeight_mm, kRadius_mm, kRow_mm);
}

Ribbon ribbon_along(PolygonMm curve) {
  Ribbon ribbon;
  ribbon.normals = outward_normals(curve);
  ribbon.curve = std::move(curve);
  const std::size_t n = ribbon.curve.size();
  ribbon.inner_mm.assign(n, 0);
  ribbon.width_mm.assign(n, 10);
  ribbon.rival_mm.assign(n, 0);
  ribbon.rival_behind.assign(n, 0);
  ribbon.rival_probability.assign(n, 0);
  return ribbon;
}

/// A rival 12 mm further out along the top, from x to x.
void add_rival(double from_mm, double to_mm, double behind, double probability, Ribbon& ribbon) {
  for (std::size_t i = 0; i < ribbon.curve.size(); ++i) {
    const PointMm p = ribbon.curve[i];
    if (p.y < kHalfHeight_mm - 15 || p.x < from_mm || p.x > to_mm) continue;
    ribbon.rival_mm[i] = 12;
    ribbon.rival_behind[i] = behind;
    ribbon.rival_probability[i] = probability;
  }
}

double likeliest(const Ribbon& ribbon) {
  return *std::max_element(ribbon.rival_probability.begin(), ribbon.rival_probability.end());
}

TEST_CASE("rivals: one that begins and ends in the middle of a straight side is none") {
  Ribbon ribbon = ribbon_along(rectangle());
  add_rival(-100, 100, 1, 0.2, ribbon);
  judge_whole_stretches(kRow_mm, ribbon);
  CHECK(likeliest(ribbon) == 0);
}

TEST_CASE("rivals: one that ends in the middle of a side is one at the corner it reaches at most") {
  Ribbon ribbon = ribbon_along(rectangle());
  add_rival(-100, 300, 1, 0.2, ribbon);
  judge_whole_stretches(kRow_mm, ribbon);
  constexpr double kCorner_mm = kRadius_mm + 45;  // what is looked at to find a step
  for (std::size_t i = 0; i < ribbon.curve.size(); ++i) {
    if (std::abs(ribbon.curve[i].x) > kHalfWidth_mm - kCorner_mm) continue;
    CHECK(ribbon.rival_probability[i] == 0);
  }
}

TEST_CASE("rivals: one along a whole side stays, as likely as the side's mean evidence makes it") {
  Ribbon ribbon = ribbon_along(rectangle());
  add_rival(-300, 300, 4, 0.02, ribbon);
  add_rival(0, 300, 1, 0.2, ribbon);
  Ribbon even = ribbon_along(rectangle());
  add_rival(-300, 300, 2.5, 0.1, even);
  judge_whole_stretches(kRow_mm, ribbon);
  judge_whole_stretches(kRow_mm, even);
  CHECK(likeliest(even) > 0.03);
  CHECK(likeliest(ribbon) == doctest::Approx(likeliest(even)).epsilon(0.1));
}

TEST_CASE("rivals: where the edge taken steps over itself, it may have left the pane's") {
  PolygonMm curve = rectangle();
  for (PointMm& p : curve) {
    // In by 12 mm from -150 to 150, over 10 mm at either end.
    const double in = std::clamp((160 - std::abs(p.x)) / 10, 0.0, 1.0);
    if (p.y > 0 && std::abs(p.x) < 200) p.y -= 12 * in;
  }
  Ribbon ribbon = ribbon_along(resample(curve, kRow_mm));
  add_rival(-150, 150, 1, 0.2, ribbon);
  judge_whole_stretches(kRow_mm, ribbon);
  CHECK(likeliest(ribbon) > 0.1);
}

}  // namespace
}  // namespace panecard::trace
