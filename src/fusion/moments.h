// Complex area moments, for a distance of shapes that is invariant to rotation and mirroring.
//
// Turning an outline by t multiplies c_pq by exp(i (p - q) t), mirroring it conjugates them all
// (Flusser, Pattern Recognition 33, 2000); sizes of c_pq depend on neither. Area moments average
// noise along the whole outline, which descriptors of the curve itself do not.
#pragma once

#include <array>

#include "fusion/fusion.h"

namespace panecard::fusion {

/// Sensitivity of each moment to 1 mm of noise on this outline, relative to that of the radius.
std::array<float, kMoments> noise_of(const PolygonMm& outline);

/// The rotation of `from`, mirrored or not, that is nearest to `to`.
Rotation best_rotation(const Moments& from, const Moments& to,
                       const std::array<float, kMoments>& noise);

/// Squared distance (mm2) of the moments' absolute values: invariant to rotation, and a lower bound
/// of the distance at any rotation.
float rotation_invariant_distance_mm2(const Moments& a, const Moments& b,
                                      const std::array<float, kMoments>& noise);

PointMm centroid(const PolygonMm& outline);

}  // namespace panecard::fusion
