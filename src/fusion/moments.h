// Area moments that tell shapes apart whatever way they lie.
//
// Turning an outline by t multiplies c_pq by exp(i (p - q) t), mirroring it conjugates them all
// (Flusser, Pattern Recognition 33, 2000); sizes of c_pq depend on neither. Area moments average
// noise along the whole outline, which descriptors of the curve itself do not.
#pragma once

#include <array>

#include "fusion/fusion.h"

namespace panecard::fusion {

/// How much 1 mm of noise on this outline moves each of its moments, as a share of the first's.
std::array<float, kMoments> noise_of(const PolygonMm& outline);

/// The turn of `from` that makes it most like `to`.
Turn best_turn(const Moments& from, const Moments& to, const std::array<float, kMoments>& noise);

/// How far apart two shapes are at least, whatever the rotation: squared, mm2.
float rotation_invariant_distance_mm2(const Moments& a, const Moments& b,
                                      const std::array<float, kMoments>& noise);

PointMm centroid(const PolygonMm& outline);

}  // namespace panecard::fusion
