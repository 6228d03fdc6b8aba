// Segments a closed contour into lines and arcs, each fitted alone: optimal breakpoints by dynamic
// programming (PELT, Killick et al. 2012) with the BIC as cost.
#pragma once

#include "outline/chain.h"

namespace panecard::outline {

/// Links in contour order; neighbours do not meet exactly before refine(). Empty when there is no
/// segmentation into two pieces or more (fewer than a dozen points).
Chain segment(const Samples& samples);

/// One line or arc through samples first .. first + count - 1, fitted on its own.
Link fit_alone(const Samples& samples, PieceKind kind, std::size_t first, std::size_t count);

}  // namespace panecard::outline
