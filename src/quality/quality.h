// What the photo is like where it was measured, and what each shortcoming costs.
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
  double blur_px = 0;           ///< standard deviation of the blur, where the boundary is sharpest
  double contrast = 0;          ///< grey levels across the boundary, median
  double noise_inflation = 1;   ///< edge noise over what it were with no stretch below the median
  double glare_share = 0;       ///< of the pixels beside the boundary: clipped
  double card_glare_share = 0;  ///< of the cards' pixels: clipped
  double card_px = 0;           ///< longest side of the largest card
  double tilt_deg = 0;          ///< line of sight against the pane's normal, at the middle
  double closer = 1;            ///< how many times nearer the pane would fill the photo, 1 at least
};

/// @param contour  with its pixels; stretches that were not seen are not looked at
PhotoQuality look(const photo::Photo& photo, const card::Plane& plane,
                  const std::vector<card::DetectedCard>& cards, const Contour& contour);

/// All figures, with what each costs: noise of edges and corners grows with the square root of the
/// blur, as 1 / cos(tilt), with the distance, and with what glare hides (Cramer-Rao bound of a
/// blurred step in noise).
std::vector<model::QualityFigure> numbers(const PhotoQuality& look,
                                          const outline::Outline& outline);

/// A finding for each figure whose cost shows in the two digits that an uncertainty is stated with.
std::vector<Finding> findings(const std::vector<model::QualityFigure>& numbers,
                              const outline::Outline& outline);

}  // namespace panecard::quality
