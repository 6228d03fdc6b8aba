#include "trace/band_strip.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>

namespace panecard::trace {
namespace {

constexpr double kHeight_mm = 700;
const Eigen::Vector3d kCamera(12, -34, kHeight_mm);

struct Row {
  double incidence_deg;
  double shift_mm;  ///< along the surface, t (tan theta - tan theta'), for t = 4 mm, n = 1.52
};

// Snell's law worked out for a plane slab; four decimals.
constexpr Row kSlab[] = {{10, 0.2453}, {20, 0.5321}, {30, 0.9161}, {45, 1.8979}, {60, 4.1551}};

TEST_CASE("a print behind 4 mm of glass is displaced as Snell's law says") {
  constexpr double kRounding_mm = 0.0001;
  for (const Row& row : kSlab) {
    CAPTURE(row.incidence_deg);
    const double tangent = std::tan(row.incidence_deg * std::numbers::pi / 180);
    const double expected_mm = 4 * tangent - row.shift_mm;  // t tan theta'
    const PointMm face{12 + kHeight_mm * tangent, -34};
    const PointMm per_mm = print_shift_per_mm(kCamera, face);
    CHECK(std::abs(4 * per_mm.x - expected_mm) <= kRounding_mm);
    CHECK(std::abs(per_mm.y) <= 1e-12);
    const PointMm print = face + 4 * per_mm;
    CHECK(distance(face_from_print(kCamera, print, 4), face) <= 1e-6);
  }
}

TEST_CASE("straight below the camera nothing is displaced") {
  const PointMm foot{12, -34};
  CHECK(distance(face_from_print(kCamera, foot, 4), foot) == 0);
  CHECK(norm(print_shift_per_mm(kCamera, foot)) == 0);
}

}  // namespace
}  // namespace panecard::trace
