// How far apart two closed curves are once one is laid on the other without scaling or mirroring.
#pragma once

#include "geom/geom.h"

namespace panecard::support {

struct CurveMatch {
  double median_mm = 0, p95_mm = 0, max_mm = 0;  ///< of both curves' points to the other curve
  PolygonMm laid;                                ///< the first curve on the second
};

/// Rigid transform by iterated closest points (Besl & McKay 1992) from every 30 degrees; the best
/// one.
CurveMatch match_curves(const PolygonMm& measured, const PolygonMm& truth);

}  // namespace panecard::support
