// The search's view of the pieces: every allowed way round as a form, and who must keep off whom.
#pragma once

#include <functional>
#include <memory>
#include <vector>

#include "layout/no_fit.h"

namespace panecard::layout {

/// A number from 0 up to 1, the same on every machine (splitmix64: Steele, Lea, Flood 2014).
class Random {
 public:
  explicit Random(std::uint64_t seed) : state_(seed) {}
  std::uint64_t bits();
  double unit() { return static_cast<double>(bits() >> 11) * 0x1p-53; }
  double between(double low, double high) { return low + (high - low) * unit(); }
  std::size_t below(std::size_t n) { return static_cast<std::size_t>(unit() * double(n)); }

 private:
  std::uint64_t state_;
};

/// A copy to be placed.
struct Copy {
  std::vector<int> forms;  ///< it may take any of these
  double size = 0;         ///< square root of its convex hull's area
};

struct Problem {
  std::vector<Form> forms;
  std::vector<Copy> copies;
  double width = 0;  ///< of the strip that is free
  double area = 0;   ///< of all copies
};

/// No-fit polygons, made when they are first asked for.
class NoFits {
 public:
  explicit NoFits(const Problem& problem);
  /// How deep form b at `x, y` from form a lies in it.
  float depth(int a, int b, float x, float y) {
    return a <= b ? made(a, b).depth(x, y) : made(b, a).depth(-x, -y);
  }
  /// The no-fit polygon of `b` about `a`, for a <= b.
  const NoFit& made(int a, int b) {
    auto& slot = made_[static_cast<std::size_t>(b) * static_cast<std::size_t>(b + 1) / 2 +
                       static_cast<std::size_t>(a)];
    if (slot == nullptr && !make(slot, a, b)) return nowhere_;
    return *slot;
  }
  /// Asked before one is made. Once it says no, what is not made yet forbids nothing, and no
  /// layout can be believed any more.
  void set_go_on(std::function<bool()> go_on) { go_on_ = std::move(go_on); }
  bool incomplete() const { return incomplete_; }

 private:
  bool make(std::unique_ptr<NoFit>& slot, int a, int b);
  const Problem& problem_;
  int grid_ = 0;
  std::function<bool()> go_on_;
  bool incomplete_ = false;
  NoFit nowhere_;
  std::vector<std::unique_ptr<NoFit>> made_;
};

/// Where every copy lies: its form, and that form's lower left corner.
struct State {
  std::vector<int> form;
  std::vector<PointMm> at;
  double length = 0;
};

}  // namespace panecard::layout
