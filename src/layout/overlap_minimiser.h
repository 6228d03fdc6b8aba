// Removes the overlaps between copies inside a strip of fixed length.
//
// Guided local search (Egeblad, Nielsen, Odgaard 2007): the cost is the weighted sum of the pairs'
// overlap severities. One copy at a time moves to the position of least cost that was sampled; the
// weight of a pair grows while it overlaps. Weights and sampling after Gardeyn, Vanden Berghe,
// Wauters 2025. Lengths in mm.
#pragma once

#include <cmath>
#include <functional>

#include "layout/problem.h"

namespace panecard::layout {

class OverlapMinimiser {
 public:
  OverlapMinimiser(const Problem& problem, NoFitCache& nfp_cache, std::uint64_t seed);

  struct StopRule {
    int passes = 200;  ///< without improvement: a strike; the search restarts from the best state
    int strikes = 3;
  };
  /// @param keep_going  asked before each move; false ends the search
  /// @return true when nothing overlaps; else `state` is the best state found
  bool solve(State& state, const StopRule& stop, const std::function<bool()>& keep_going);

  std::int64_t moves() const { return moves_; }
  /// Unweighted sum of the severities in the state that solve() left.
  double total() const { return total_; }
  SplitMix64& random() { return random_; }

 private:
  /// A sampled position of one copy.
  struct Candidate {
    int form = 0;
    double x = 0, y = 0;
    double cost = 0;
  };
  /// The copies' bounding boxes, one array per side for vector instructions; padded with empty
  /// boxes.
  struct Boxes {
    std::vector<float> left, right, low, high;
  };
  void load(const State& state);
  void store_box(std::size_t i);
  void measure(std::size_t i);
  double cost(std::size_t i, int form, double x, double y, double limit);
  double severity(std::size_t i, std::size_t j, double depth) const {
    return scale_[i * now_.form.size() + j] * std::sqrt(depth);
  }
  Candidate best_candidate(std::size_t i);
  void coordinate_descent(std::size_t i, Candidate& candidate, double from, double to);
  void pass(const std::function<bool()>& keep_going);
  void update_weights();
  double overlap_of(std::size_t i) const;
  double sum() const;

  const Problem& problem_;
  NoFitCache& nfp_cache_;
  SplitMix64 random_;
  State now_;
  Boxes boxes_;
  std::vector<double> weight_, depth_, scale_;  ///< n x n; depth_ in mm, 0 where a pair is free
  std::int64_t moves_ = 0;
  double total_ = 0;
};

}  // namespace panecard::layout
