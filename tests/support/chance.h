// How likely a count is when each of n happens with a probability: bounds for tests that count.
#pragma once

#include <cmath>

namespace panecard::support {

inline double binomial(int n, int k, double p) {
  return std::exp(std::lgamma(n + 1) - std::lgamma(k + 1) - std::lgamma(n - k + 1) +
                  k * std::log(p) + (n - k) * std::log1p(-p));
}

/// Probability of `count` or more of n when each has probability p.
inline double or_more(int n, int count, double p) {
  double sum = 0;
  for (int k = count; k <= n; ++k) sum += binomial(n, k, p);
  return sum;
}

/// Probability of `count` or fewer of n.
inline double or_fewer(int n, int count, double p) {
  double sum = 0;
  for (int k = 0; k <= count; ++k) sum += binomial(n, k, p);
  return sum;
}

}  // namespace panecard::support
