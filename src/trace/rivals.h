// Which of the edges beside the one taken may be the pane's.
#pragma once

#include "trace/pairs.h"
#include "trace/ribbon.h"

namespace panecard::trace {

/// Less than one in twenty is what a 95 % statement leaves out anyway.
constexpr double kLikelyRival = 0.05;

/// Fills in the ribbon's rivals from the best edges away from the path.
void weigh_rivals(const PairPath& path, double row_mm, Ribbon& ribbon);

/// A pane's edge makes no steps: it may lie on a rival only all the way from one place where the
/// edge taken can have left it to the next, a step of that edge, a corner, or where the two join.
/// Such a stretch is judged by its mean evidence, and one that ends elsewhere is none.
void judge_whole_stretches(double row_mm, Ribbon& ribbon);

}  // namespace panecard::trace
