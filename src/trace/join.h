// One boundary from several photos of one pane, whose planes were fitted together.
#pragma once

#include <string>
#include <vector>

#include "card/card.h"
#include "geom/geom.h"
#include "trace/trace.h"

namespace panecard::trace {

/// The boundary as one photo shows it, before the plane's uncertainty is added.
struct Sketch {
  PolygonMm points;               ///< counter-clockwise, on the developed outer face
  std::vector<double> sigma_mm;   ///< per point, normal
  std::vector<double> choice_mm;  ///< see Edge; empty: none
  /// How much further in the edge may lie where the seal fades into the dark, standard deviation;
  /// empty: nowhere.
  std::vector<double> dark_mm;
  std::vector<bool> seen;
  PolygonMm per_mm_thickness;  ///< d(point)/d(glass thickness); empty for what is not behind glass
  /// How far the visible edge may lie from the meant one, alike per side; per point.
  std::vector<double> definition_mm;
  std::vector<Finding> findings;
};

struct Joined {
  Sketch sketch;
  std::vector<std::vector<double>> weight;  ///< per photo and point, adding up to 1
};

/// Weighted mean along the normals of the first photo's curve. Where one of three or more photos
/// lies outside what the others and its own uncertainty allow, it is left out there; where one of
/// two does, both stay and the uncertainty covers their difference. Either is said, with the
/// photo's number.
/// @param plane_sigma_mm  per photo and point of that photo's own sketch: what its plane adds,
/// normal
Joined join(const std::vector<Sketch>& photos,
            const std::vector<std::vector<double>>& plane_sigma_mm);

/// "top left", "bottom": where on the pane a point lies.
const char* side_name(PointMm middle, PointMm p);

}  // namespace panecard::trace
