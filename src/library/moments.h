// What a pane's shape is like, however it lies: area moments as complex numbers.
//
// Turning an outline by t multiplies c_pq by exp(i (p - q) t), mirroring it conjugates them all
// (Flusser, Pattern Recognition 33, 2000); sizes of c_pq depend on neither. Area moments average
// noise along the whole outline, which descriptors of the curve itself do not.
#pragma once

#include <array>
#include <complex>
#include <string>
#include <string_view>
#include <vector>

#include "geom/geom.h"

namespace panecard::library {

constexpr std::size_t kMoments = 14;

struct Moments {
  float radius_mm = 0;  ///< of the circle of the same area
  /// c_pq / (area radius^(p+q-1)), mm: of orders 2 to 6, p >= q
  std::array<std::complex<float>, kMoments> c{};
};

Moments moments_of(const PolygonMm& outline);

/// How much 1 mm of noise on this outline moves each of its moments, as a share of the first's.
std::array<float, kMoments> noise_of(const PolygonMm& outline);

std::string packed(const Moments& moments);
/// Zeros when the bytes are not what packed() makes.
Moments unpacked_moments(std::string_view bytes);

/// The turn of `from` that makes it most like `to`, and how far apart they are then, mm.
struct Turn {
  double rad = 0;
  bool mirrored = false;  ///< `from` is first mirrored, x to -x
  double apart_mm = 0;
};
Turn best_turn(const Moments& from, const Moments& to, const std::array<float, kMoments>& noise);

/// How far apart two shapes are at least, whatever the turn: squared, mm2.
float apart_whatever_turn(const Moments& a, const Moments& b,
                          const std::array<float, kMoments>& noise);

PointMm centroid(const PolygonMm& outline);

}  // namespace panecard::library
