// Measurements made up for these tests, with every kind of piece, and hostile words.
#pragma once

#include <string>

#include "formats/formats.h"

namespace panecard::formats::sample {

/// 486 x 412 mm, four straight edges, corners of 14 mm: the arithmetic is easy by hand.
Measurement slider();

/// Five edges: lines, one arc of large radius, one cubic; corners of several radii, one sharp;
/// turned by 7 deg; part of the outline bridged.
Measurement door();

/// The same with words that break careless writers.
Measurement hostile();

/// A round pane: one arc all the way.
Measurement porthole();

}  // namespace panecard::formats::sample
