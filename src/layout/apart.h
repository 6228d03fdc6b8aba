// Drives overlapping copies apart inside a strip of given length.
//
// Guided local search: every pair has a weight that grows while it overlaps; one copy at a time
// goes where its weighted overlap is least (Egeblad, Nielsen, Odgaard 2007; weights and sampling
// after Gardeyn, Vanden Berghe, Wauters 2025).
#pragma once

#include <cmath>
#include <functional>

#include "layout/problem.h"

namespace panecard::layout {

class Apart {
 public:
  Apart(const Problem& problem, NoFits& no_fits, std::uint64_t seed);

  struct Patience {
    int passes = 200;  ///< without gain, then back to the best state: a strike
    int strikes = 3;
  };
  /// Ends with true when nothing overlaps; else `state` is the best that was met.
  bool solve(State& state, const Patience& patience, const std::function<bool()>& go_on);

  std::int64_t moves() const { return moves_; }
  /// Sum of the overlaps' severities of the state that solve() left.
  double total() const { return total_; }
  Random& random() { return random_; }

 private:
  struct Spot {
    int form = 0;
    double x = 0, y = 0;
    double cost = 0;
  };
  /// The copies' bounding boxes, for many to be compared at once; filled up with boxes nowhere.
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
  Spot best_spot(std::size_t i);
  void refine(std::size_t i, Spot& spot, double from, double to);
  void pass(const std::function<bool()>& go_on);
  void reweigh();
  double overlap_of(std::size_t i) const;
  double sum() const;

  const Problem& problem_;
  NoFits& no_fits_;
  Random random_;
  State now_;
  Boxes boxes_;
  std::vector<double> weight_, depth_, scale_;  ///< n x n
  std::int64_t moves_ = 0;
  double total_ = 0;
};

}  // namespace panecard::layout
