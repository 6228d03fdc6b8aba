#include "trace/ring_path.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdlib>
#include <functional>
#include <limits>

#include "trace/closed_path.h"
#include "trace/wide.h"

namespace panecard::trace {
namespace {

// Sums are 16 bits wide, counted from the least; a column 156 cells' worth behind the best is as
// good as out of the race.
constexpr short kBest = std::numeric_limits<short>::min(), kFar = 7000;
constexpr int kLengthBits = 12;  // of a step's length, after the point

constexpr unsigned short cost_of(int cell, unsigned short length) {
  // The product's upper half, as processors have it.
  constexpr int kUp = 16 - kLengthBits;
  return static_cast<unsigned short>(
      (static_cast<unsigned>(static_cast<unsigned short>(cell << kUp)) * length) >> 16);
}
// The greatest step from a column that is out of the race must not come round to the best.
static_assert(kFar + cost_of(kMostCost + kUnit, 24915) < std::numeric_limits<short>::max());
static_assert((kMostCost + kUnit) << (16 - kLengthBits) <=
              std::numeric_limits<unsigned short>::max());

// One ray on, for columns [first, last): from sums to sums less `down`; the least comes back.
// `none` is the row of the lowest slope's costs, `stride` leads to the next one's; `length`: of a
// step by so many columns.
PANECARD_WIDE
short step_on(const short* __restrict from, const unsigned char* __restrict none,
              std::ptrdiff_t stride, const unsigned short* __restrict extra,
              const unsigned short* __restrict length, int first, int last, short down,
              short* __restrict to) {
  short least = kFar;
  for (int c = first; c < last; ++c) {
    short best = kFar;
#pragma GCC unroll 13
    for (int k = -kMaxSlope; k <= kMaxSlope; ++k) {
      const int cell = extra[c] + none[(k + kMaxSlope) * stride + c];
      const int sum = from[c - k] + cost_of(cell, length[k < 0 ? -k : k]);
      best = std::min(best, static_cast<short>(sum));
    }
    best = static_cast<short>(best - down);
    least = std::min(least, best);
    to[c] = best;
  }
  return least;
}

class Walk {
 public:
  Walk(const Edges& edges, const cv::Mat& extra, int columns)
      : spans_(edges.spans), absence_(edges.absence), extra_(extra), columns_(columns) {
    for (int k = 0; k <= kMaxSlope; ++k) {
      length_[k] =
          static_cast<unsigned short>(std::lround((1 << kLengthBits) * std::sqrt(1.0 + k * k)));
    }
  }

  std::vector<int> closed() const {
    const Unrolled line = turn_and_a_quarter(kRays);
    PathSums<short> sums(line.steps, columns_, kMaxSlope, kBest, kFar);
    short least = kBest;
    return closed_path(
        line, sums,
        [&](const short* from, int step, short* to) {
          least = on(from, least, line.row(step), to);
        },
        [&](const short* from, int step, int c) { return before(from, line.row(step), c); },
        std::less<>());
  }

 private:
  // One ray on, to `ray`: from sums, the least of which is `least`, to sums; the least of those
  // comes back.
  short on(const short* from, short least, int ray, short* to) const {
    const cv::Range span{spans_[ray].start, std::min(spans_[ray].end, columns_)};
    std::fill(to, to + span.start, kFar);
    std::fill(to + span.end, to + columns_, kFar);
    return step_on(from, absence_.ptr<unsigned char>(ray * kSlopes),
                   static_cast<std::ptrdiff_t>(absence_.step), extra_.ptr<unsigned short>(ray),
                   length_.data(), span.start, span.end, static_cast<short>(least - kBest), to);
  }

  // The column on the ray before from where the best way leads to column `c` of `ray`.
  int before(const short* from, int ray, int c) const {
    int best = c, sum = std::numeric_limits<int>::max();
    for (int j = 0; j < kSlopes; ++j) {
      // Straight on first, 0, -1, 1, -2, 2 ...: among equals the path does not turn.
      const int k = (j + 1) / 2 * (j % 2 == 0 ? 1 : -1);
      if (c - k < 0 || c - k >= columns_) continue;
      const int cell = absence_.at<unsigned char>(ray * kSlopes + k + kMaxSlope, c) +
                       extra_.at<unsigned short>(ray, c);
      const int there = from[c - k] + cost_of(cell, length_[std::abs(k)]);
      if (there < sum) sum = there, best = c - k;
    }
    return best;
  }

  const std::vector<cv::Range>& spans_;
  const cv::Mat &absence_, &extra_;
  int columns_;
  std::array<unsigned short, kMaxSlope + 1> length_{};
};

}  // namespace

std::vector<int> ring_path(const Edges& edges, const cv::Mat& extra, int columns) {
  return Walk(edges, extra, columns).closed();
}

}  // namespace panecard::trace
