#include "trace/strip.h"

#include <doctest/doctest.h>

#include <cmath>

namespace panecard::trace {
namespace {

card::Plane face_on(double k1) {
  card::Plane plane;
  plane.value.setZero();
  plane.value[0] = std::acos(-1.0);  // about x: y up on the pane, y down in the photo
  plane.value[5] = 1000;             // mm from the camera
  auto lens = plane.value.segment<photo::kLensSize>(card::kLensOffset);
  lens[photo::kF] = 1000;
  lens[photo::kCx] = lens[photo::kCy] = 500;
  lens[photo::kK1] = k1;
  return plane;
}

// r (1 + k1 r^2) grows up to r = 1 / sqrt(-3 k1) and falls after that.
TEST_CASE("Points beyond the fold of the lens polynomial are not in the photo a second time") {
  const Sight sight(face_on(-0.2));
  const double fold_mm = 1000 / std::sqrt(0.6);
  CHECK(sight.in_front({0.98 * fold_mm, 0}));
  CHECK(!sight.in_front({1.02 * fold_mm, 0}));
  // Without the fold this one would be in the photo's very middle.
  CHECK(sight.px({1000 * std::sqrt(5.0), 0}).x < 0);
  CHECK(std::abs(sight.px({500, 0}).x - (500 + 1000 * 0.5 * (1 - 0.2 * 0.25))) < 1e-9);
}

TEST_CASE("A lens without a fold shows the pane as far as it is in front") {
  const Sight sight(face_on(0.05));
  CHECK(sight.in_front({3000, 0}));
  CHECK(sight.px({3000, 0}).x > 3000);
}

}  // namespace
}  // namespace panecard::trace
