// The best of several ribbons, stretch by stretch.
#pragma once

#include <vector>

#include "geom/geom.h"
#include "trace/polar.h"
#include "trace/ribbon.h"

namespace panecard::trace {

/// A ribbon as seen from the middle of the cards, one entry per ray.
struct Around {
  std::vector<double> inner_mm, outer_mm;  ///< distance of the seal's edges from the middle
  std::vector<double> sure;                ///< evidence, see Ribbon
};

Around seen_from(PointMm middle, const Ribbon& ribbon);
PolygonMm inner_curve(PointMm middle, const Around& around);
PolygonMm outer_curve(PointMm middle, const Around& around);

/// Panes are convex or nearly so; a path that took a reflection or a trim strip for the seal has a
/// notch or a bump. Mean evidence of the seal, less what is missing of the convex hull.
double plausibility(PointMm middle, const Around& around);

/// Where two part by more than one and the same may do.
std::vector<Rays> partings(const Around& a, const Around& b);

Around with_stretch(Around base, const Around& other, const Rays& stretch);

/// The most plausible of several, with every stretch of the others that makes it more so: one may
/// be misled at the left, another at the right.
Around splice(PointMm middle, const std::vector<Around>& all);

}  // namespace panecard::trace
