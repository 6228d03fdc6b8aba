// What a strip shows: how sure it is that the picture changes across the curve, and along it.
#pragma once

#include "trace/pairs.h"
#include "trace/strip.h"

namespace panecard::trace {

/// Per curve point and millimetre.
/// @param row_mm    from one curve point to the next
/// @param sigma_mm  smoothing across
/// @param cap       the most that one edge counts
Evidence evidence_of(const Strip& strip, double row_mm, double sigma_mm, float cap);

}  // namespace panecard::trace
