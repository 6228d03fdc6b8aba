#include "layout/problem.h"

#include <algorithm>
#include <cmath>

namespace panecard::layout {

std::uint64_t SplitMix64::bits() {
  state_ += 0x9e3779b97f4a7c15ULL;
  std::uint64_t z = state_;
  z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9ULL;
  z = (z ^ (z >> 27)) * 0x94d049bb133111ebULL;
  return z ^ (z >> 31);
}

NoFitCache::NoFitCache(const Problem& problem)
    : problem_(problem), made_(problem.forms.size() * (problem.forms.size() + 1) / 2) {
  constexpr double kMostBytes = 64e6, kFewest = 16, kMost = 32;
  const double each = kMostBytes / (sizeof(float) * static_cast<double>(made_.size() + 1));
  grid_ = static_cast<int>(std::clamp(std::sqrt(each), kFewest, kMost));
}

bool NoFitCache::make(std::unique_ptr<NoFitPolygon>& slot, int a, int b) {
  incomplete_ = incomplete_ || (keep_going_ && !keep_going_());
  if (incomplete_) return false;
  slot = std::make_unique<NoFitPolygon>(problem_.forms[static_cast<std::size_t>(a)],
                                        problem_.forms[static_cast<std::size_t>(b)], grid_);
  return true;
}

}  // namespace panecard::layout
