// Image quality of a measured photo, and what each figure contributes to the uncertainty.
//
// Frames   px as in photo.h; the contour's millimetres as in geom.h.
#pragma once

#include <string>
#include <vector>

#include "base/base.h"
#include "card/card.h"
#include "geom/geom.h"
#include "model/model.h"
#include "outline/outline.h"
#include "photo/photo.h"

namespace panecard::quality {

struct PhotoQuality {
  double blur_px = 0;           ///< sigma of the Gaussian blur: lower quartile along the boundary
  double contrast = 0;          ///< grey levels across the boundary, median
  double noise_inflation = 1;   ///< edge noise, over that with no contrast below the median
  double glare_share = 0;       ///< of the pixels beside the boundary: clipped
  double card_glare_share = 0;  ///< of the cards' pixels: clipped
  double card_px = 0;           ///< longest side of the largest card
  double tilt_deg = 0;          ///< line of sight against the pane's normal, at the middle
  double distance_ratio = 1;    ///< camera distance over the least at which the pane still fits the
                                ///< photo, 1 at least
};

/// @param contour  in mm and in px; points that were not seen count for glare only
/// An empty photo or contour gives the default values.
PhotoQuality assess_photo(const photo::Photo& photo, const card::Plane& plane,
                          const std::vector<card::DetectedCard>& cards, const Contour& contour);

/// Every figure with the U95 of the long side (mm) that an ideal value would give. Edge and corner
/// noise grow with the square root of the blur, with 1 / cos(tilt), with the distance and with the
/// clipped share (Cramer-Rao bound of a blurred step in white noise; docs/quality.md).
std::vector<model::QualityFigure> figures(const PhotoQuality& quality,
                                          const outline::Outline& outline);

/// A finding for each figure that costs more than 5 % of the long side's U95: less does not show in
/// the two digits that an uncertainty is stated with (JCGM 100:2008, 7.2.6).
std::vector<Finding> findings(const std::vector<model::QualityFigure>& figures,
                              const outline::Outline& outline);

}  // namespace panecard::quality
