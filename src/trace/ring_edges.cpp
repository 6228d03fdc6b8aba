#include "trace/ring_edges.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <opencv2/core/hal/intrin.hpp>
#include <utility>

namespace panecard::trace {
namespace {

// An edge this many times the median gradient is half way from "no edge" to "certainly an edge".
constexpr float kHalfEdge = 6;
constexpr float kFloor = 0.03F;  // cost of the best edge: a shorter curve still wins among equals

constexpr int kCells = cv::v_uint8x16::nlanes;

// Sum over the channels of the products of the two derivatives, for one ray.
struct Gradient {
  std::vector<float> rr, rt, tt;
  explicit Gradient(int columns) : rr(columns + kCells, 0.0F), rt(rr), tt(rr) {}

  void look(const Polar& polar, int ray) {
    using Four = cv::v_float32x4;
    const auto* before = polar.root.ptr<float>((ray + kRays - 1) % kRays);
    const auto* after = polar.root.ptr<float>((ray + 1) % kRays);
    const auto* here = polar.root.ptr<float>(ray);
    const Four quarter = cv::v_setall_f32(0.25F);
    const auto load = [](const float* row, int c) {
      std::array<Four, 3> bgr;
      cv::v_load_deinterleave(row + std::ptrdiff_t{3} * c, bgr[0], bgr[1], bgr[2]);
      return bgr;
    };
    const int last = polar.columns() - 1 - Four::nlanes;
    for (int from = 1; from < last + Four::nlanes; from += Four::nlanes) {
      // The last four of a ray may begin among those before.
      const int c = std::min(from, last);
      const auto outer = load(here, c + 1), inner = load(here, c - 1), next = load(after, c),
                 previous = load(before, c);
      Four r2 = cv::v_setzero_f32(), r_t = r2, t2 = r2;
      for (int k = 0; k < 3; ++k) {
        const Four along_r = outer[k] - inner[k], along_t = next[k] - previous[k];
        r2 = r2 + along_r * along_r;
        r_t = r_t + along_r * along_t;
        t2 = t2 + along_t * along_t;
      }
      cv::v_store(rr.data() + c, r2 * quarter);
      cv::v_store(rt.data() + c, r_t * quarter);
      cv::v_store(tt.data() + c, t2 * quarter);
    }
  }
};

// The usual change from cell to cell along the rays, per channel.
float gradient_noise(const Polar& polar) {
  std::vector<float> sample;
  Gradient g(polar.columns());
  for (int ray = 0; ray < kRays; ray += 5) {
    g.look(polar, ray);
    const auto* valid = polar.valid.ptr<unsigned char>(ray);
    for (int c = 1; c + 1 < polar.columns(); c += 5) {
      if (valid[c] != 0) sample.push_back(g.rr[c]);
    }
  }
  if (sample.empty()) return 1;
  std::nth_element(sample.begin(), sample.begin() + static_cast<std::ptrdiff_t>(sample.size() / 2),
                   sample.end());
  return 1.48F * std::sqrt(sample[sample.size() / 2] / 3) + 1e-6F;
}

// The columns of one ray where a path may be: outside the cards and inside the photo, with room for
// a step on either side, in whole lanes of bytes.
cv::Range span_of(const Polar& polar, int ray) {
  constexpr int kRoom = kMaxSlope + 1;
  const auto* valid = polar.valid.ptr<unsigned char>(ray);
  int end = polar.columns();
  while (end > 0 && valid[end - 1] == 0) --end;
  if (end <= polar.first[ray]) end = polar.columns();
  return {std::max(0, polar.first[ray] - kRoom) / kCells * kCells,
          padded(std::min(polar.columns(), end + kRoom))};
}

// The columns a little way outside each column.
struct Beyond {
  std::vector<int> from, to;  // [from, to)
  explicit Beyond(const Polar& polar) : from(polar.columns()), to(polar.columns()) {
    constexpr double kFrom_mm = 4, kTo_mm = 30;
    for (int c = 0; c < polar.columns(); ++c) {
      const double cell_mm = polar.radius_mm[c] * kTurn;
      from[c] = c + static_cast<int>(std::ceil(kFrom_mm / cell_mm)) + 1;
      to[c] = std::min(polar.columns(), c + static_cast<int>(std::ceil(kTo_mm / cell_mm)) + 2);
    }
  }

  // The greatest value of each window: two overlapping powers of two cover any.
  void greatest(const std::vector<unsigned char>& values, unsigned char* out) const {
    const auto columns = static_cast<int>(values.size());
    std::vector<std::vector<unsigned char>> of_power{values};
    for (int half = 1; 2 * half <= columns; half *= 2) {
      const std::vector<unsigned char>& halves = of_power.back();
      std::vector<unsigned char> whole(columns - 2 * half + 1);
      for (std::size_t c = 0; c < whole.size(); ++c) {
        whole[c] = std::max(halves[c], halves[c + half]);
      }
      of_power.push_back(std::move(whole));
    }
    for (int c = 0; c < columns; ++c) {
      const int count = to[c] - from[c];
      if (count <= 0) {
        out[c] = 0;
        continue;
      }
      const int power = static_cast<int>(std::bit_width(static_cast<unsigned>(count))) - 1;
      out[c] = std::max(of_power[power][from[c]], of_power[power][to[c] - (1 << power)]);
    }
  }
};

// Sixteen bytes from four times four floats.
template <typename Value>
void store_rounded(const Value& value, unsigned char* to) {
  constexpr int kFour = cv::v_float32x4::nlanes;
  const cv::v_int16x8 low = cv::v_pack(cv::v_round(value(0)), cv::v_round(value(kFour))),
                      high =
                          cv::v_pack(cv::v_round(value(2 * kFour)), cv::v_round(value(3 * kFour)));
  cv::v_store(to, cv::v_pack_u(low, high));
}

// `g` has room for sixteen columns more than there are.
void look_along_ray(const Polar& polar, const Gradient& g, float half, const Beyond& window,
                    int ray, Edges& out) {
  using Four = cv::v_float32x4;
  const Four zero = cv::v_setzero_f32(), one = cv::v_setall_f32(1),
             none = cv::v_setall_f32(kUnit * kFloor), edge = cv::v_setall_f32(kUnit * (1 - kFloor));
  const float *rr = g.rr.data(), *rt = g.rt.data(), *tt = g.tt.data();
  const cv::Range span = out.spans[ray];
  for (int k = 0; k <= kMaxSlope; ++k) {
    const auto slope = static_cast<float>(k);
    const Four k_k = cv::v_setall_f32(slope * slope), two_k = cv::v_setall_f32(2 * slope),
               scale = cv::v_setall_f32(half / (1 + slope * slope));
    auto* up = out.absence.ptr<unsigned char>(ray * kSlopes + kMaxSlope + k);
    auto* down = out.absence.ptr<unsigned char>(ray * kSlopes + kMaxSlope - k);
    for (int c = span.start; c < span.end; c += kCells) {
      const auto cost = [&](int at, bool rising) {
        const Four along = two_k * cv::v_load(rt + at),
                   both = cv::v_load(rr + at) + k_k * cv::v_load(tt + at);
        const Four across = cv::v_max(zero, rising ? both - along : both + along) * scale;
        return none + edge / (one + across);
      };
      store_rounded([&](int i) { return cost(c + i, true); }, up + c);
      if (k > 0) store_rounded([&](int i) { return cost(c + i, false); }, down + c);
    }
  }
  const int columns = polar.columns();
  const auto* valid = polar.valid.ptr<unsigned char>(ray);
  std::vector<unsigned char> any(padded(columns));
  const Four unit = cv::v_setall_f32(kUnit), per = cv::v_setall_f32(half);
  for (int c = 0; c < columns; c += kCells) {
    store_rounded(
        [&](int i) {
          const Four sum = (cv::v_load(rr + c + i) + cv::v_load(tt + c + i)) * per;
          return unit * sum / (one + sum);
        },
        any.data() + c);
  }
  for (int c = 0; c < columns; ++c) any[c] = valid[c] != 0 ? any[c] : 0;
  any.resize(columns);
  window.greatest(any, out.beyond.ptr<unsigned char>(ray));
}

}  // namespace

int padded(int columns) { return (columns + kCells - 1) / kCells * kCells; }

Edges look_for_edges(const Polar& polar) {
  const int columns = polar.columns();
  const float noise = gradient_noise(polar), half = 1 / (kHalfEdge * kHalfEdge * noise * noise);
  Edges out{{}, cv::Mat(kRays * kSlopes, padded(columns), CV_8U), cv::Mat(kRays, columns, CV_8U)};
  for (int ray = 0; ray < kRays; ++ray) out.spans.push_back(span_of(polar, ray));
  const Beyond window(polar);
  cv::parallel_for_({0, kRays}, [&](const cv::Range& range) {
    Gradient g(columns);
    for (int ray = range.start; ray < range.end; ++ray) {
      g.look(polar, ray);
      look_along_ray(polar, g, half, window, ray, out);
    }
  });
  return out;
}

}  // namespace panecard::trace
