// Finds plain cards: bodies of known size and any print, of which only the outline is known.
//
// Method   docs/plain-cards.md: segments and quads on a reduced copy, edges of the candidates in
// the
//          full photo, then statistics: is it a rectangle of that size, with those corners?
#pragma once

#include <vector>

#include "card/card.h"
#include "photo/photo.h"

namespace panecard::card {

/// Prior standard deviation of one outward shift common to all edges of a plain card, px: light
/// that creeps over the edge of a bright card, sharpening, and the camera's tone curve, which the
/// edge model takes as sRGB. Over ten bodies of ID-1 size in photos with truth, by four phones,
/// white over-exposed ones among them, the common shift was -0.07 px with a scatter of 0.03 px
/// (docs/plain-cards.md); zero mean and this much doubt covers it without tuning to it.
inline constexpr double kBloomSigma_px = 0.10;

/// A rectangle this much more doubtful than another is no card where only one of them can be: twice
/// the logarithm of a likelihood ratio of 20.
inline constexpr double kClearMargin = 6;

/// Plain cards of that size, most trustworthy first; empty when there is none beyond doubt.
std::vector<DetectedCard> find_plain(const photo::Photo& photo, const PlainSize& size);

}  // namespace panecard::card
