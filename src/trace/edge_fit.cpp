#include "trace/edge_fit.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>

namespace panecard::trace {

LocalFit::LocalFit(int reach) : reach_(reach) {
  for (int k = -reach; k <= reach; ++k) {
    const double t = static_cast<double>(k) / reach;
    const double tail = 1 - std::abs(t * t * t) * 0.999;
    place_.push_back(t);
    weight_.push_back(tail * tail * tail);
  }
}

Smoothed LocalFit::operator()(const Samples& s, int i, double scale) const {
  const int n = static_cast<int>(s.offset_mm.size());
  std::array<double, 2 * kMostReach + 1> t{}, near{}, value{};
  int count = 0;
  for (int k = -reach_; k <= reach_; ++k) {
    const int row = wrapped(i + k, n);
    if (!s.seen[row]) continue;
    t[count] = place_[k + reach_];
    near[count] = weight_[k + reach_];
    value[count] = s.offset_mm[row];
    ++count;
  }
  Eigen::Vector3d beta(s.offset_mm[i], 0, 0);
  Smoothed out{s.offset_mm[i], 0, 0};
  const double per_scale = 1 / (4 * scale);
  for (int round = 0; round < 4; ++round) {
    std::array<double, 5> power{};  // sums of weight times powers of t
    double v0 = 0, v1 = 0, v2 = 0, sum_r2 = 0, sum_w2 = 0;
    for (int k = 0; k < count; ++k) {
      const double x = t[k], x2 = x * x;
      double w = near[k];
      if (round > 0) {
        const double r = value[k] - (beta[0] + beta[1] * x + beta[2] * x2);
        const double z = r * per_scale, far = std::max(0.0, 1 - z * z);
        w *= far * far;
        sum_r2 += w * r * r;
      }
      power[0] += w;
      power[1] += w * x;
      power[2] += w * x2;
      power[3] += w * x2 * x;
      power[4] += w * x2 * x2;
      v0 += w * value[k];
      v1 += w * x * value[k];
      v2 += w * x2 * value[k];
      sum_w2 += w * w;
    }
    const double sum = power[0];
    if (sum < 3.5) return {s.offset_mm[i], scale, 0};
    Eigen::Matrix3d a;
    a << power[0], power[1], power[2], power[1], power[2], power[3], power[2], power[3], power[4];
    a.diagonal().array() += 1e-9 * sum;
    beta = a.ldlt().solve(Eigen::Vector3d(v0, v1, v2));
    out = {beta[0], std::sqrt(sum_r2 / sum), sum * sum / std::max(sum_w2, 1e-12)};
  }
  return out;
}

double robust_scale(const Samples& s) {
  std::vector<double> step;
  const int n = static_cast<int>(s.offset_mm.size());
  for (int i = 0; i < n; ++i) {
    const int j = (i + 6) % n, k = (i + 12) % n;
    if (s.seen[i] && s.seen[j] && s.seen[k]) {
      step.push_back(std::abs(s.offset_mm[i] - 2 * s.offset_mm[j] + s.offset_mm[k]));
    }
  }
  if (step.size() < 20) return 0.2;
  std::nth_element(step.begin(), step.begin() + static_cast<std::ptrdiff_t>(step.size() / 2),
                   step.end());
  // Second difference of independent values: variance 6.
  return std::max(0.02, 1.48 * step[step.size() / 2] / std::sqrt(6.0));
}

}  // namespace panecard::trace
