// The search's input: every allowed orientation of a piece as a form, and the no-fit polygons of
// pairs of forms. Lengths in mm; a form's position is the lower left corner of its bounding box.
#pragma once

#include <functional>
#include <memory>
#include <vector>

#include "layout/no_fit.h"

namespace panecard::layout {

/// Random numbers that are the same on every machine (Steele, Lea, Flood 2014).
class SplitMix64 {
 public:
  explicit SplitMix64(std::uint64_t seed) : state_(seed) {}
  std::uint64_t bits();
  /// From 0 up to, but not with, 1.
  double unit() { return static_cast<double>(bits() >> 11) * 0x1p-53; }
  double between(double low, double high) { return low + (high - low) * unit(); }
  std::size_t below(std::size_t n) { return static_cast<std::size_t>(unit() * double(n)); }

 private:
  std::uint64_t state_;
};

/// A copy to be placed.
struct Copy {
  std::vector<int> forms;  ///< indices into Problem::forms; any of them is allowed
  double size = 0;         ///< square root of its convex hull's area
};

struct Problem {
  std::vector<Form> forms;
  std::vector<Copy> copies;
  double width = 0;  ///< of the usable strip
  double area = 0;   ///< of all copies
};

/// No-fit polygons of pairs of forms, computed on first use.
class NoFitCache {
 public:
  explicit NoFitCache(const Problem& problem);
  /// Penetration depth (mm) of form b at offset (x, y) from form a; 0 when they do not overlap.
  float depth(int a, int b, float x, float y) {
    return a <= b ? get(a, b).depth(x, y) : get(b, a).depth(-x, -y);
  }
  /// The no-fit polygon of `b` about `a`, for a <= b.
  const NoFitPolygon& get(int a, int b) {
    auto& slot = made_[static_cast<std::size_t>(b) * static_cast<std::size_t>(b + 1) / 2 +
                       static_cast<std::size_t>(a)];
    if (slot == nullptr && !make(slot, a, b)) return empty_;
    return *slot;
  }
  /// Asked before a polygon is computed. After its first no, pairs that are not computed yet count
  /// as free: incomplete() is true and no layout may be accepted any more.
  void set_keep_going(std::function<bool()> keep_going) { keep_going_ = std::move(keep_going); }
  bool incomplete() const { return incomplete_; }

 private:
  bool make(std::unique_ptr<NoFitPolygon>& slot, int a, int b);
  const Problem& problem_;
  int grid_ = 0;
  std::function<bool()> keep_going_;
  bool incomplete_ = false;
  NoFitPolygon empty_;
  std::vector<std::unique_ptr<NoFitPolygon>> made_;
};

/// The position of every copy: its form, and that form's lower left corner.
struct State {
  std::vector<int> form;
  std::vector<PointMm> at;
  double length = 0;
};

}  // namespace panecard::layout
