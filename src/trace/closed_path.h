// The best closed path through the rows of a ring, one place per row, by dynamic programming
// (Viterbi). The rows may be rays about a point, or normals along a closed curve; what a place is
// worth and which moves from row to row are allowed is the caller's.
#pragma once

#include <algorithm>
#include <cstdlib>
#include <opencv2/core.hpp>
#include <utility>
#include <vector>

namespace panecard::trace {

/// Dynamic programming needs a first and a last row, and a ring has neither. So the ring is
/// unrolled into a line of `steps` rows that is longer than the ring, and its best path is found
/// with both ends free. Far enough from the ends that path no longer depends on where they are;
/// `rows` steps from `skip` on are kept as the closed path.
struct Unrolled {
  int rows, steps, skip;
  int row(int step) const { return step % rows; }
};

/// For rings of hundreds of rows: an eighth of a turn before and after what is kept.
constexpr Unrolled turn_and_a_quarter(int rows) { return {rows, rows + rows / 4, rows / 8}; }

/// For short rings: a whole turn before and after what is kept.
constexpr Unrolled three_turns(int rows) { return {rows, 3 * rows, rows}; }

/// Of a path along the line, the part that is kept: a place per row.
std::vector<int> kept(const Unrolled& line, const std::vector<int>& place_of_step);

/// For each place of each step, the sum along the best path from the start of the line. Beside the
/// places there is `room` on either side, filled with `worst`: no move of up to so many places
/// needs a check, and none from there is ever the best.
template <typename Sum>
class PathSums {
 public:
  /// @param start  the sum of every place before the first step
  PathSums(int steps, int places, int room, Sum start, Sum worst)
      : places_(places), room_(room), values_(steps + 1, places + 2 * room) {
    for (int step = -1; step < steps; ++step) {
      Sum* first = at(step);
      std::fill(first - room, first, worst);
      std::fill(first + places, first + places + room, worst);
    }
    std::fill(at(-1), at(-1) + places, start);
  }

  int steps() const { return values_.rows - 1; }
  int places() const { return places_; }
  /// The first place of a step; -1 stands for what comes before the first step.
  Sum* at(int step) { return values_[step + 1] + room_; }
  const Sum* at(int step) const { return values_[step + 1] + room_; }
  const Sum* last() const { return at(steps() - 1); }

 private:
  int places_, room_;
  cv::Mat_<Sum> values_;
};

/// Fills in the sums from the first step to the last.
/// @param on  on(from, step, to): writes the sums `to` of a step, given those of the step before
template <typename Sum, typename On>
void sum_up(PathSums<Sum>& sums, On on) {
  for (int step = 0; step < sums.steps(); ++step) {
    on(std::as_const(sums).at(step - 1), step, sums.at(step));
  }
}

/// The best path that ends at `place` of the last step: a place per step.
/// @param before  before(from, step, place): the place of the step before, with sums `from`, that
///                the best path to `place` comes from
template <typename Sum, typename Before>
std::vector<int> trace_back(const PathSums<Sum>& sums, int place, Before before) {
  std::vector<int> path(sums.steps());
  for (int step = sums.steps() - 1; step >= 0; --step) {
    path[step] = place;
    if (step > 0) place = before(sums.at(step - 1), step, place);
  }
  return path;
}

/// The best closed path: a place per row.
/// @param better  better(a, b): whether sum `a` is better than sum `b`; first among equals wins
template <typename Sum, typename On, typename Before, typename Better>
std::vector<int> closed_path(const Unrolled& line, PathSums<Sum>& sums, On on, Before before,
                             Better better) {
  sum_up(sums, on);
  const Sum* last = sums.last();
  const auto end = std::min_element(last, last + sums.places(), better);
  return kept(line, trace_back(sums, static_cast<int>(end - last), before));
}

/// For moves that cost `cost` a place, up to `max_move` places a row, where the greater sum is the
/// better: the best sum that reaches each of `places` from the row before.
void best_moves(const short* from, int places, int max_move, short cost, short* to);
void best_moves(const float* from, int places, int max_move, float cost, float* to);
void best_moves(const double* from, int places, int max_move, double cost, double* to);

/// The one of `moves` that `best_moves` took to the place that `from` points at; the first among
/// equals.
template <typename Sum, typename Moves>
int best_move(const Sum* from, const Moves& moves, Sum cost) {
  const auto left = [&](int move) { return from[move] - cost * static_cast<Sum>(std::abs(move)); };
  return *std::max_element(moves.begin(), moves.end(),
                           [&](int a, int b) { return left(a) < left(b); });
}

}  // namespace panecard::trace
