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
/// that creeps over the edge of a bright card, the camera's sharpening and its tone curve, which
/// the edge model takes as sRGB. Measured on the two photos with truth: see docs/plain-cards.md.
inline constexpr double kBloomSigma_px = 0.15;

/// Plain cards of that size, most trustworthy first; empty when there is none beyond doubt.
std::vector<Sighting> find_plain(const photo::Photo& photo, const PlainSize& size);

}  // namespace panecard::card
