// Carries the band's depth from where it was seen to where it was not.
#pragma once

#include <Eigen/Core>
#include <vector>

namespace panecard::trace {

struct BandDepth {
  double mm = 0, sigma_mm = 0;
  bool seen = false;
};

/// Gaussian process round a closed curve: one depth plus a slow variation whose size is learnt from
/// the sights (averaged over what they allow). Sights that the rest contradict are left out.
/// @param sights  one per stretch, equally spaced round the curve of length `perimeter_mm`.
/// @pre at least one is seen.
/// @return        per stretch; seen only where a sight was used.
std::vector<BandDepth> bridge(const std::vector<BandDepth>& sights, double perimeter_mm);

inline constexpr double kBandCorrelation_mm = 80;

}  // namespace panecard::trace
