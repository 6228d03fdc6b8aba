// Detects plain cards: bodies of known size with any print, by their outline alone.
//
// Method   docs/plain-cards.md: segments and quadrilaterals on a reduced copy, edge fits in the
// full
//          photo, then tests of shape, size and corner radius.
#pragma once

#include <vector>

#include "card/card.h"
#include "photo/photo.h"

namespace panecard::card {

/// Prior standard deviation of the outward shift common to all edges of a plain card, px: blooming,
/// sharpening, and the camera's tone curve, which the edge model takes as sRGB. Over ten bodies of
/// ID-1 size in photos with truth, by four phones, white over-exposed ones among them, the common
/// shift was -0.07 px with a scatter of 0.03 px (docs/plain-cards.md); a zero-mean prior of this
/// width covers that without tuning to it.
inline constexpr double kBloomSigma_px = 0.10;

/// Difference of deviance that decides between two rectangles of which only one can be a card:
/// twice the logarithm of a likelihood ratio of 20.
inline constexpr double kDecisiveDeviance = 6;

/// Plain cards of that size, by deviance; empty when none passes the tests, or when several
/// candidates overlap and none is better by kDecisiveDeviance.
std::vector<DetectedCard> detect_plain_cards(const photo::Photo& photo, const PlainSize& size);

}  // namespace panecard::card
