// Shortens a layout again and again: squeeze the strip, drive the copies apart, let them touch.
#pragma once

#include <functional>

#include "layout/problem.h"

namespace panecard::layout {

struct Budget {
  std::uint64_t seed = 1;
  std::int64_t moves = 0;
  std::function<double()> spent;             ///< 0 to 1; empty: moves alone count
  std::function<bool(const State&)> accept;  ///< asked of each better state; no: it does not count
};

int shortest_form(const Problem& problem, const Copy& copy);

/// No layout is shorter than this.
double shortest_possible(const Problem& problem);

/// A layout without search: rows across the strip, first fit, longest first.
State in_rows(const Problem& problem);

/// The best state found from `start`, which overlaps nowhere.
State search(const Problem& problem, NoFits& no_fits, const State& start, const Budget& budget);

}  // namespace panecard::layout
