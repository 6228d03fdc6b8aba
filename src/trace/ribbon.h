// Which of the parallel edges is which: the seal as a ribbon between the body and the glass.
#pragma once

#include <vector>

#include "geom/geom.h"
#include "trace/ring.h"
#include "trace/strip.h"

namespace panecard::trace {

struct Ribbon {
  PolygonMm curve;  ///< the strip's reference curve
  PolygonMm normals;
  std::vector<double> inner_mm;  ///< offset of the glass edge from the curve, along the normal
  std::vector<double> width_mm;  ///< of the seal, outwards from there
  std::vector<bool> outer_seen;  ///< whether the seal's outer edge is visible there
  std::vector<double> sure;      ///< evidence per point, in units of one clear edge = 4
  double score = 0;              ///< its mean
  /// Where another edge would do nearly as well: how much further out it lies (inwards below 0), by
  /// how much its evidence is behind, and the probability that it is the right one (0 for none).
  std::vector<double> rival_mm, rival_behind, rival_probability;
};

PolygonMm inner_curve(const Ribbon& ribbon);
PolygonMm outer_curve(const Ribbon& ribbon);

/// Finds the seal near one of the rings: two closed, nearly parallel paths, chosen together. Where
/// the rings differ, the seal that fits best and makes the least odd shape wins. Where doubt is
/// left it looks again: with each ring as the glass edge instead of the seal's outer one, and past
/// what is spoken against the other ways round.
/// @param near   rough points on the glass edge, may be empty
Ribbon find_ribbon(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
                   const Rings& rings, const PolygonMm& near);

/// Looks sharply once more, for a seal of about that width (0: any) with its glass edge within so
/// much of a curve.
Ribbon find_ribbon_along(const Pyramid& photo, const Sight& sight,
                         const std::vector<PolygonMm>& cards, const PolygonMm& glass_edge,
                         double within_mm, double width_mm, const PolygonMm& near);

}  // namespace panecard::trace
