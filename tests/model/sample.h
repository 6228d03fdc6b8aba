// Measurements made up for these tests, with every kind of piece, and hostile words.
#pragma once

#include <string>

#include "model/model.h"

namespace panecard::sample {

/// 486 x 412 mm, four straight edges, corners of 14 mm: the arithmetic is easy by hand. All of it
/// `times` as large; what it is uncertain by stays.
model::Measurement slider(double times = 1);

/// Five edges: lines, one arc of large radius, one cubic; corners of several radii, one sharp;
/// turned by 7 deg; part of the outline bridged.
model::Measurement door();

/// The same with words that break careless writers.
model::Measurement hostile();

/// A round pane: one arc all the way.
model::Measurement porthole();

}  // namespace panecard::sample
