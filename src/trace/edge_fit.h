// What the samples along an edge say together: its place at each row, and how much they scatter.
#pragma once

#include <vector>

#include "trace/edge_samples.h"

namespace panecard::trace {

struct Smoothed {
  double value = 0, spread = 0;  // spread: weighted sd of the residuals
  double span = 0;               // effective number of rows used
};

/// Robust local quadratic (Cleveland 1979): value at a row from the seen rows within reach.
class LocalFit {
 public:
  static constexpr int kMostReach = 20;

  explicit LocalFit(int reach);
  /// @param scale  of the samples' noise, see robust_scale
  Smoothed operator()(const Samples& samples, int row, double scale) const;

 private:
  int reach_;
  std::vector<double> place_, weight_;
};

/// Standard deviation of the samples' noise, whatever the edge's shape and whatever strays.
double robust_scale(const Samples& samples);

}  // namespace panecard::trace
