// Cuts a closed contour into the fewest lines and arcs, each fitted on its own: dynamic programming
// over breakpoints with Schwarz's criterion as the cost.
#pragma once

#include "outline/chain.h"

namespace panecard::outline {

/// Links in contour order. Joints do not meet exactly yet: refine() closes them.
/// Empty when no two-piece description exists (fewer than a dozen points).
Chain segment(const Samples& samples);

/// One line or arc through samples first .. first + count - 1, fitted on its own.
Link fit_alone(const Samples& samples, PieceKind kind, std::size_t first, std::size_t count);

}  // namespace panecard::outline
