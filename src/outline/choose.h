// Chooses the pieces: starts from the cut, then drops or adds one unknown at a time as long as
// Schwarz's criterion of the whole, jointly fitted chain falls.
#pragma once

#include "outline/chain.h"

namespace panecard::outline {

/// A refined chain that no single change improves; not converged when the contour resists.
Chain choose(const Samples& samples);

}  // namespace panecard::outline
