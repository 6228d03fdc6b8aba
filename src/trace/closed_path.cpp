#include "trace/closed_path.h"

#include "trace/wide.h"

namespace panecard::trace {
namespace {

// Inlined, so that each version of its callers has its own.
template <typename Sum>
[[gnu::always_inline]] inline void move_on(const Sum* __restrict from, int places, int max_move,
                                           Sum cost, Sum* __restrict to) {
  std::copy_n(from, places, to);
  for (int k = 1; k <= max_move; ++k) {
    const auto all = static_cast<Sum>(static_cast<Sum>(k) * cost);
    for (int p = 0; p < places; ++p) {
      to[p] = std::max(to[p], static_cast<Sum>(std::max(from[p - k], from[p + k]) - all));
    }
  }
}

}  // namespace

std::vector<int> kept(const Unrolled& line, const std::vector<int>& place_of_step) {
  std::vector<int> path(line.rows);
  for (int step = line.skip; step < line.skip + line.rows; ++step) {
    path[line.row(step)] = place_of_step[step];
  }
  return path;
}

PANECARD_WIDE
void best_moves(const short* __restrict from, int places, int max_move, short cost,
                short* __restrict to) {
  move_on(from, places, max_move, cost, to);
}

PANECARD_WIDE
void best_moves(const float* __restrict from, int places, int max_move, float cost,
                float* __restrict to) {
  move_on(from, places, max_move, cost, to);
}

PANECARD_WIDE
void best_moves(const double* __restrict from, int places, int max_move, double cost,
                double* __restrict to) {
  move_on(from, places, max_move, cost, to);
}

}  // namespace panecard::trace
