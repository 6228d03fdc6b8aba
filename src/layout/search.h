// Strip packing by iteration: shorten the strip, minimise the overlaps, compact.
#pragma once

#include <functional>

#include "layout/problem.h"

namespace panecard::layout {

struct Budget {
  std::uint64_t seed = 1;
  std::int64_t moves = 0;
  std::function<double()> spent;  ///< share of the budget used, 0 to 1; empty: moves only
  std::function<bool(const State&)> accept;  ///< independent check of each better state
};

int shortest_form(const Problem& problem, const Copy& copy);

/// A lower bound of the length (mm): total area over width, or the longest copy.
double length_lower_bound(const Problem& problem);

/// The start layout: rows across the strip, first fit decreasing by length.
State row_layout(const Problem& problem);

/// The best state found from `start`, which must be free of overlaps.
State search(const Problem& problem, NoFitCache& nfp_cache, const State& start,
             const Budget& budget);

}  // namespace panecard::layout
