// What the search sees of a shape must cover it, by GEOS.
#include "layout/prepare.h"

#include <doctest/doctest.h>

#include "shapes.h"

namespace panecard::layout {

TEST_CASE("simplified_outwards: covers the shape, stays within the tolerance, has fewer points") {
  SplitMix64 random(21);
  const Geos geos;
  for (int k = 0; k < 10 * kRepeats; ++k) {
    CAPTURE(k);
    const int corners = 30 + static_cast<int>(random.below(200));
    const PolygonMm shape = random_star(random, corners, 200, random.between(0.3, 0.995));
    const double tolerance = random.between(0.1, 5);
    const PolygonMm simple = simplified_outwards(shape, tolerance);
    const auto before = geos.polygon(shape), after = geos.polygon(simple);
    CHECK(simple.size() <= shape.size());
    CHECK(geos.beyond(before.get(), after.get()) <= 1e-6);
    CHECK(geos.beyond(after.get(), geos.grown(before.get(), tolerance * 1.001).get()) <= 1e-6);
  }
  PolygonMm circle;
  for (int k = 0; k < 720; ++k) {
    const double turn = std::numbers::pi * k / 360;
    circle.push_back({100 * std::cos(turn), 100 * std::sin(turn)});
  }
  CHECK(simplified_outwards(circle, 0.1).size() < 100);
}

TEST_CASE("prepare: every form covers its shape grown by half the gap") {
  SplitMix64 random(22);
  const Geos geos;
  for (int k = 0; k < 5 * kRepeats; ++k) {
    CAPTURE(k);
    Item item;
    item.name = "piece";
    item.shape = random_star(random, 5 + static_cast<int>(random.below(100)), 200, 0.5);
    item.turns_deg = {0, 90, 33};
    item.may_mirror = true;
    const Strip strip{2000, random.between(0.2, 10), 0};
    const auto prepared = prepare({item}, strip);
    INFO((prepared.ok() ? "" : prepared.error().detail));
    REQUIRE(prepared.ok());
    CHECK(prepared->problem.forms.size() == 6);
    for (std::size_t f = 0; f < prepared->origins.size(); ++f) {
      const Origin& o = prepared->origins[f];
      const PolygonMm shape = placed_shape(item, {0, o.turn_deg, o.mirrored, {}});
      const auto form = geos.polygon(shifted(prepared->problem.forms[f].points, o.low));
      CHECK(geos.beyond(geos.grown(geos.polygon(shape).get(), strip.gap_mm / 2).get(),
                        form.get()) <= 1e-6);
    }
  }
}

}  // namespace panecard::layout
