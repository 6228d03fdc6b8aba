// Compaction: moves all copies at once to a local minimum of the strip's length, in which they
// touch exactly.
//
// Each pair is restricted to a convex region of the positions in which it does not overlap, which
// makes the problem a linear programme (Li & Milenkovic 1995). It is repeated from its own answer
// while that shortens the strip.
#pragma once

#include "layout/problem.h"

namespace panecard::layout {

/// Shortens `state` and removes overlaps that a small move removes.
/// @return whether nothing overlaps now; if not, `state` is as it was.
bool compact(const Problem& problem, NoFitCache& nfp_cache, State& state);

}  // namespace panecard::layout
