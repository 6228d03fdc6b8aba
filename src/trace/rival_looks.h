// Each likely rival looked at as if it were the pane's edge.
#pragma once

#include "geom/geom.h"
#include "trace/look.h"
#include "trace/second_look.h"

namespace panecard::trace {

/// What speaks for a rival in a look that took the other edge says nothing of the pane it would
/// make. Here the whole pane with it is looked at like the one taken, with nothing known
/// beforehand, and its probability is that of how far it falls behind. One that is ahead in both
/// looks is taken.
Settled with_rivals_looked_at(const View& view, PointMm middle, Settled settled);

}  // namespace panecard::trace
