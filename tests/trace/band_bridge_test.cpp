#include "trace/band_bridge.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>
#include <vector>

namespace panecard::trace {
namespace {

constexpr double kPerimeter_mm = 1600;
constexpr std::size_t kStretches = 160;

std::vector<BandDepth> sights(double swing_mm) {
  std::vector<BandDepth> all;
  for (std::size_t i = 0; i < kStretches; ++i) {
    const double turn = 2 * std::numbers::pi * static_cast<double>(i) / kStretches;
    all.push_back({20 + swing_mm * std::sin(turn), 0.05, true});
  }
  return all;
}

TEST_CASE("a hidden stretch of an even band keeps its depth and is less sure than the seen ones") {
  std::vector<BandDepth> band = sights(0);
  for (std::size_t i = 40; i < 80; ++i) band[i] = {99, 0.01, false};
  const std::vector<BandDepth> depths = bridge(band, kPerimeter_mm);
  CHECK(std::abs(depths[60].mm - 20) <= 0.05);
  CHECK(depths[60].sigma_mm > 3 * depths[120].sigma_mm);
  CHECK_FALSE(depths[60].seen);
  CHECK(depths[120].seen);
}

TEST_CASE("a band that gets wider is followed, and what is hidden of it lies within three sigma") {
  std::vector<BandDepth> band = sights(3);
  const std::vector<BandDepth> truth = band;
  for (std::size_t i = 30; i < 50; ++i) band[i].seen = false;
  const std::vector<BandDepth> depths = bridge(band, kPerimeter_mm);
  for (std::size_t i = 0; i < kStretches; ++i) {
    CAPTURE(i);
    const double off = std::abs(depths[i].mm - truth[i].mm);
    CHECK(off <= (band[i].seen ? 0.1 : 3 * depths[i].sigma_mm));
  }
}

TEST_CASE("a lone false sight amid a hidden stretch does not pull the band") {
  std::vector<BandDepth> band = sights(0);
  for (std::size_t i = 40; i < 80; ++i) band[i].seen = false;
  band[60] = {21.4, 0.05, true};
  const std::vector<BandDepth> depths = bridge(band, kPerimeter_mm);
  CHECK_FALSE(depths[60].seen);
  CHECK(std::abs(depths[60].mm - 20) <= 0.1);
}

}  // namespace
}  // namespace panecard::trace
