#include "layout/problem.h"

namespace panecard::layout {

std::uint64_t Random::bits() {
  state_ += 0x9e3779b97f4a7c15ULL;
  std::uint64_t z = state_;
  z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9ULL;
  z = (z ^ (z >> 27)) * 0x94d049bb133111ebULL;
  return z ^ (z >> 31);
}

void NoFits::make(std::unique_ptr<NoFit>& slot, int a, int b) {
  slot = std::make_unique<NoFit>(problem_.forms[static_cast<std::size_t>(a)],
                                 problem_.forms[static_cast<std::size_t>(b)]);
}

}  // namespace panecard::layout
