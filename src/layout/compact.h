// Slides the copies of a layout, all at once, until the strip is as short as their neighbourhood
// allows and they touch exactly.
//
// Each pair keeps to a convex part of the places where it does not overlap, so that the whole is a
// linear programme (Li & Milenkovic 1995); repeated from where it ends while that shortens the
// strip.
#pragma once

#include "layout/problem.h"

namespace panecard::layout {

/// Shortens `state`, and takes small overlaps out of it where moving a little is enough.
/// @return whether nothing overlaps now; if not, `state` is as it was.
bool compact(const Problem& problem, NoFits& no_fits, State& state);

}  // namespace panecard::layout
