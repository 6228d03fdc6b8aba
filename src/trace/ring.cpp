#include "trace/ring.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <limits>
#include <opencv2/core/hal/intrin.hpp>
#include <utility>

#include "trace/polar.h"
#include "trace/wide.h"

namespace panecard::trace {
namespace {

constexpr int kMaxSlope = 6;  // cells of ln r per ray: edges up to 80 degrees off the ray's normal
// Costs are counted in 255ths of a cell without any edge. More than this would not fit the sums.
constexpr int kUnit = 255, kMostCost = 15 * kUnit, kBlocked = kMostCost;
// An edge this many times the median gradient is half way from "no edge" to "certainly an edge".
constexpr float kHalfEdge = 6;
constexpr float kFloor = 0.03F;  // cost of the best edge: a shorter curve still wins among equals

constexpr int kCells = cv::v_uint8x16::nlanes;
int padded(int columns) { return (columns + kCells - 1) / kCells * kCells; }

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

constexpr int kSlopes = 2 * kMaxSlope + 1;

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

// What the edges alone say, for all paths.
struct Edges {
  std::vector<cv::Range> spans;  // per ray; the other columns are not filled in
  cv::Mat absence;               // cost of a cell, row ray * kSlopes + slope
  // The clearest edge a little way outside, 0 to 255: the seal's outer edge is the last before the
  // body, while reflections and what is behind the glass lie within it.
  cv::Mat beyond;
};

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

// Minimal closed path: Viterbi once and a quarter round; what is kept is an eighth of the way off
// the seam on either side. Sums are 16 bits wide, counted from the least; a column 156 cells' worth
// behind the best is as good as out of the race.
using Path = std::vector<int>;  // column per ray

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

  Path closed() {
    constexpr int kLaps = kRays + kRays / 4, kSkip = kRays / 8;
    cv::Mat sums(kLaps, columns_ + 2 * kMaxSlope, CV_16S);
    std::vector<short> start(sums.cols, kFar);
    std::fill_n(start.begin() + kMaxSlope, columns_, kBest);
    const short* from = start.data() + kMaxSlope;
    short least = kBest;
    for (int lap = 0; lap < kLaps; ++lap) {
      auto* to = sums.ptr<short>(lap) + kMaxSlope;
      least = on(from, least, lap % kRays, to);
      from = to;
    }
    Path path(kRays);
    int c = static_cast<int>(std::min_element(from, from + columns_) - from);
    for (int lap = kLaps - 1; lap >= kSkip; --lap) {
      if (lap < kSkip + kRays) path[lap % kRays] = c;
      c = before(sums.ptr<short>(lap - 1) + kMaxSlope, lap % kRays, c);
    }
    return path;
  }

 private:
  // One ray on, to `ray`: from sums, the least of which is `least`, to sums; the least of those
  // comes back.
  short on(const short* from, short least, int ray, short* to) const {
    const cv::Range span{spans_[ray].start, std::min(spans_[ray].end, columns_)};
    std::fill(to - kMaxSlope, to + span.start, kFar);
    std::fill(to + span.end, to + columns_ + kMaxSlope, kFar);
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

Path closed_path(const Edges& edges, const cv::Mat& extra, int columns) {
  return Walk(edges, extra, columns).closed();
}

void add(float cost, unsigned short& to) {
  const float up = kUnit * cost + 0.5F;
  to =
      static_cast<unsigned short>(std::min(kMostCost, static_cast<int>(to) + static_cast<int>(up)));
}

// Costs that hold whatever the edges: blind cards, the photo's border, the user's rough points.
cv::Mat fixed_cost(const Polar& polar, const PolygonMm& near) {
  const int columns = polar.columns();
  cv::Mat cost(kRays, padded(columns), CV_16U, cv::Scalar(0));
  for (int ray = 0; ray < kRays; ++ray) {
    auto* to = cost.ptr<unsigned short>(ray);
    for (int c = 0; c < columns; ++c) {
      if (c < polar.first[ray]) {
        to[c] = kBlocked;
      } else if (polar.valid.at<unsigned char>(ray, c) == 0) {
        // Dearer than what is seen, cheaper than another way inside: a pane that the photo cuts off
        // shall be found to be.
        to[c] = kUnit / 2;
      }
    }
  }
  constexpr double kReach_mm =
      30;  // a rough point holds the curve within about this much of itself
  for (const PointMm& p : near) {
    const PointMm v = p - polar.centre;
    const double r = norm(v);
    const double angle = std::atan2(v.y, v.x);
    const int ray = (static_cast<int>(std::lround(angle / kTurn)) + kRays) % kRays;
    const int wide = std::max(1, static_cast<int>(kReach_mm / 2 / (r * kTurn)));
    for (int k = -wide; k <= wide; ++k) {
      auto* to = cost.ptr<unsigned short>((ray + k + kRays) % kRays);
      for (int c = 0; c < columns; ++c) {
        if (std::abs(polar.radius_mm[c] - r) > kReach_mm) add(3, to[c]);
      }
    }
  }
  return cost;
}

using Colour = std::array<float, 3>;

// Luminance and two differences: the body's shade changes along the car, its hue hardly.
Colour shade_and_hue(const cv::Vec3f& root) {
  const float shade = (root[0] + root[1] + root[2]) / 3;
  return {shade, root[0] - shade, root[2] - shade};
}

float median_of(std::vector<float>& v) {
  std::nth_element(v.begin(), v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2), v.end());
  return v[v.size() / 2];
}

struct Body {
  Colour middle, sigma;
};

// What the body looks like beside each ray: the median just outside the present path over a wide
// window, so that a stretch where the path went astray does not count.
std::vector<Body> body_colours(const Polar& polar, const std::vector<int>& path) {
  constexpr double kFrom_mm = 14, kTo_mm = 26;
  constexpr int kWindow = kRays / 6, kEvery = 9, kLooked = 3;
  static_assert(kWindow % kLooked == 0 && kEvery % kLooked == 0 && kRays % kLooked == 0);
  std::vector<Colour> seen(kRays);
  std::vector<char> has(kRays, 0);
  cv::parallel_for_({0, kRays / kLooked}, [&](const cv::Range& range) {
    std::array<std::vector<float>, 3> values;
    for (int ray = range.start * kLooked; ray < range.end * kLooked; ray += kLooked) {
      const double r = polar.radius_mm[path[ray]];
      const int a = path[ray] + static_cast<int>(std::ceil(kFrom_mm / (r * kTurn)));
      const int b = path[ray] + static_cast<int>(std::ceil(kTo_mm / (r * kTurn)));
      if (b >= polar.columns()) continue;
      const auto* valid = polar.valid.ptr<unsigned char>(ray);
      if (std::find(valid + a, valid + b + 1, 0) != valid + b + 1) continue;
      for (std::vector<float>& v : values) v.clear();
      for (int c = a; c <= b; ++c) {
        const Colour here = shade_and_hue(polar.root.at<cv::Vec3f>(ray, c));
        for (int k = 0; k < 3; ++k) values[k].push_back(here[k]);
      }
      for (int k = 0; k < 3; ++k) seen[ray][k] = median_of(values[k]);
      has[ray] = 1;
    }
  });
  std::vector<Body> body(kRays);
  for (int start = 0; start < kRays; start += kEvery) {
    Body b{};
    for (int k = 0; k < 3; ++k) {
      std::vector<float> v;
      for (int j = -kWindow; j <= kWindow; j += kLooked) {
        const int ray = (start + j + kRays) % kRays;
        if (has[ray] != 0) v.push_back(seen[ray][k]);
      }
      if (v.size() < 8) {
        v.clear();
        for (int ray = 0; ray < kRays; ++ray) {
          if (has[ray] != 0) v.push_back(seen[ray][k]);
        }
      }
      if (v.empty()) return {};
      b.middle[k] = median_of(v);
      for (float& x : v) x = std::abs(x - b.middle[k]);
      b.sigma[k] = 1.48F * median_of(v);
    }
    for (int ray = start; ray < std::min(start + kEvery, kRays); ++ray) body[ray] = b;
  }
  return body;
}

// Noise of shade and hue between neighbouring cells.
Colour grain_of(const Polar& polar) {
  Colour grain{};
  for (int k = 0; k < 3; ++k) {
    std::vector<float> v;
    for (int ray = 0; ray < kRays; ray += 7) {
      for (int c = 0; c + 1 < polar.columns(); c += 7) {
        if (polar.valid.at<unsigned char>(ray, c) == 0) continue;
        v.push_back(std::abs(shade_and_hue(polar.root.at<cv::Vec3f>(ray, c + 1))[k] -
                             shade_and_hue(polar.root.at<cv::Vec3f>(ray, c))[k]));
      }
    }
    if (!v.empty()) grain[k] = median_of(v);
  }
  return grain;
}

// The cells beside each column that should hold body and those that should not, [from, to), and one
// over how many they are; 0 for none.
struct Window {
  int out_from, out_to, in_from, in_to;
  float per_out, per_in;
};

std::vector<Window> body_windows(const Polar& polar) {
  constexpr double kOutFrom_mm = 2.5, kOutTo_mm = 12, kInFrom_mm = 2, kInTo_mm = 9;
  const int columns = polar.columns();
  std::vector<Window> out(columns);
  const auto per = [](int from, int to) { return 1.0F / static_cast<float>(to - from); };
  for (int c = 0; c < columns; ++c) {
    const double cell_mm = polar.radius_mm[c] * kTurn;
    const auto cells = [&](double mm) { return static_cast<int>(std::lround(mm / cell_mm)); };
    Window& w = out[c];
    w = {};
    const int out_from = c + cells(kOutFrom_mm) + 1;
    const int out_to = std::min(columns, std::max(out_from + 2, c + cells(kOutTo_mm)));
    if (out_from < out_to) {
      w.out_from = out_from, w.out_to = out_to, w.per_out = per(out_from, out_to);
    }
    const int in_to = c - cells(kInFrom_mm), in_from = std::min(in_to - 2, c - cells(kInTo_mm));
    if (in_from >= 0) w.in_from = in_from, w.in_to = in_to, w.per_in = per(in_from, in_to);
  }
  return out;
}

// What all paths share.
struct Costs {
  Edges edges;
  cv::Mat fixed;
  Colour grain;
  std::vector<Window> windows;
};

// Running sum along a ray of how alike its cells are to the body: 1 the same, 0 another.
class Alike {
 public:
  explicit Alike(const Colour& grain) : grain_(grain) {}

  void look(const float* root, int columns, const Body& body, std::vector<float>& sum) const {
    // Shading and dirt: half a grey step of the root scale, a third of that in hue.
    constexpr Colour kShading{0.5F, 0.15F, 0.15F};
    std::array<cv::v_float32x4, 3> weight, middle;
    for (int k = 0; k < 3; ++k) {
      const float spread = 2 * body.sigma[k], noise = 2 * grain_[k];
      weight[k] =
          cv::v_setall_f32(1 / (4 * (spread * spread + noise * noise + kShading[k] * kShading[k])));
      middle[k] = cv::v_setall_f32(body.middle[k]);
    }
    constexpr int kFour = cv::v_float32x4::nlanes;
    const cv::v_float32x4 one = cv::v_setall_f32(1), third = cv::v_setall_f32(1 / 3.0F);
    sum.resize(columns + kFour + 1);
    sum[0] = 0;
    for (int c = 0; c < columns; c += kFour) {
      // The last four of a ray may begin among those before.
      const int at = std::max(0, std::min(c, columns - kFour));
      cv::v_float32x4 blue, green, red;
      cv::v_load_deinterleave(root + std::ptrdiff_t{3} * at, blue, green, red);
      const cv::v_float32x4 shade = (blue + green + red) * third, a = shade - middle[0],
                            b = blue - shade - middle[1], d = red - shade - middle[2];
      const cv::v_float32x4 off = weight[0] * a * a + weight[1] * b * b + weight[2] * d * d;
      cv::v_store(sum.data() + at + 1, one / (one + off));
    }
    for (int c = 0; c < columns; ++c) sum[c + 1] += sum[c];
  }

 private:
  Colour grain_;
};

// What a path costs that lacks the body on its outer side or has it on its inner side.
cv::Mat body_cost(const Polar& polar, const Costs& costs, const std::vector<Body>& body) {
  constexpr float kWeight = 0.6F * kUnit;
  const int columns = polar.columns();
  cv::Mat cost(kRays, padded(columns), CV_16U, cv::Scalar(0));
  const Alike alike(costs.grain);
  cv::parallel_for_({0, kRays}, [&](const cv::Range& range) {
    std::vector<float> sum;
    for (int ray = range.start; ray < range.end; ++ray) {
      alike.look(polar.root.ptr<float>(ray), columns, body[ray], sum);
      auto* to = cost.ptr<unsigned short>(ray);
      for (int c = polar.first[ray]; c < columns; ++c) {
        const Window& w = costs.windows[c];
        const float outside = (sum[w.out_to] - sum[w.out_from]) * w.per_out,
                    inside = (sum[w.in_to] - sum[w.in_from]) * w.per_in;
        const float up = std::max(0.0F, kWeight * (1 - outside + inside)) + 0.5F;
        to[c] = static_cast<unsigned short>(static_cast<int>(up));
      }
    }
  });
  return cost;
}

// What a path costs beside its edges: what holds for all, the lack of a body, and `beyond` for what
// lies further out.
cv::Mat sum_of(const Polar& polar, const Costs& costs, const cv::Mat& body, float beyond) {
  cv::Mat sum(body.size(), CV_16U);
  const auto share = static_cast<int>(std::lround(256 * beyond));
  cv::parallel_for_({0, kRays}, [&](const cv::Range& range) {
    for (int ray = range.start; ray < range.end; ++ray) {
      const auto *fixed = costs.fixed.ptr<unsigned short>(ray),
                 *lack = body.ptr<unsigned short>(ray);
      const auto* edge = costs.edges.beyond.ptr<unsigned char>(ray);
      auto* to = sum.ptr<unsigned short>(ray);
      for (int c = 0; c < polar.columns(); ++c) {
        const int all = fixed[c] + lack[c] + ((share * edge[c] + 128) >> 8);
        to[c] = static_cast<unsigned short>(std::min(kMostCost, all));
      }
      std::fill(to + polar.columns(), to + sum.cols, static_cast<unsigned short>(kMostCost));
    }
  });
  return sum;
}

// The body's colour is learnt from the first path, along edges alone, and the path found again with
// it, for each weight of what lies beyond; the second round settles where the first path had
// strayed for a long way.
std::vector<Path> all_paths(const Polar& polar, const Costs& costs) {
  constexpr std::array<float, 3> kBeyond{0.0F, 0.25F, 0.6F};
  const int columns = polar.columns();
  std::vector<Path> paths{closed_path(costs.edges, costs.fixed, columns)};
  const std::vector<Body> first_body = body_colours(polar, paths[0]);
  if (first_body.empty()) return paths;
  const cv::Mat first_cost = body_cost(polar, costs, first_body);
  paths.resize(1 + kBeyond.size());
  cv::parallel_for_({0, static_cast<int>(kBeyond.size())}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      Path& path = paths[i + 1];
      path = closed_path(costs.edges, sum_of(polar, costs, first_cost, kBeyond[i]), columns);
      const std::vector<Body> body = body_colours(polar, path);
      if (body.empty()) continue;
      const cv::Mat cost = body_cost(polar, costs, body);
      path = closed_path(costs.edges, sum_of(polar, costs, cost, kBeyond[i]), columns);
    }
  });
  return paths;
}

bool inside_photo(const Polar& polar, const Path& path) {
  int outside = 0;
  for (int ray = 0; ray < kRays; ++ray) {
    outside += polar.valid.at<unsigned char>(ray, path[ray]) == 0 ? 1 : 0;
  }
  return outside <= kRays / 20;
}

PolygonMm curve_of(const Polar& polar, const Path& path) {
  PolygonMm curve;
  curve.reserve(kRays);
  for (int ray = 0; ray < kRays; ++ray) curve.push_back(polar.at(ray, path[ray]));
  return curve;
}

}  // namespace

struct Rings::Search {
  Polar polar;
  Costs costs;
};

Rings::Rings(std::unique_ptr<Search> search) : search_(std::move(search)) {}
Rings::Rings(Rings&&) noexcept = default;
Rings& Rings::operator=(Rings&&) noexcept = default;
Rings::~Rings() = default;

Result<Rings> Rings::find(const Pyramid& photo, const Sight& sight,
                          const std::vector<PolygonMm>& cards, const PolygonMm& near) {
  Rings rings(std::make_unique<Search>());
  rings.search_->polar = sample_polar(photo, sight, cards);
  const Polar& polar = rings.search_->polar;
  constexpr int kLeastColumns = 16;  // less is no pane but the cards' rim
  if (polar.columns() >= kLeastColumns) {
    rings.search_->costs = {look_for_edges(polar), fixed_cost(polar, near), grain_of(polar),
                            body_windows(polar)};
    const std::vector<Path> paths = all_paths(polar, rings.search_->costs);
    for (const Path& path : paths) {
      if (inside_photo(polar, path)) rings.curves_.push_back(curve_of(polar, path));
    }
  }
  if (rings.curves_.empty()) {
    return Error{Code::boundary_not_seen,
                 "no closed boundary around the cards inside the photo: step back until the whole "
                 "pane and some of the body around it are in the picture"};
  }
  return rings;
}

std::vector<PolygonMm> Rings::other_ways(const std::vector<double>& inner_mm,
                                         const std::vector<double>& outer_mm,
                                         const std::vector<Rays>& parts) const {
  constexpr double kAround_mm = 8;
  constexpr float kBarred = 2;  // two cells without any edge for each that is not allowed
  const Polar& polar = search_->polar;
  const Costs& costs = search_->costs;
  const int columns = polar.columns();
  Path taken(kRays);
  for (int ray = 0; ray < kRays; ++ray) {
    const auto at = std::lower_bound(polar.radius_mm.begin(), polar.radius_mm.end(), outer_mm[ray]);
    taken[ray] = std::min(static_cast<int>(at - polar.radius_mm.begin()), columns - 1);
  }
  cv::Mat start = costs.fixed;
  const std::vector<Body> body = body_colours(polar, taken);
  if (!body.empty()) start = sum_of(polar, costs, body_cost(polar, costs, body), 0);
  std::vector<Path> paths(parts.size());
  cv::parallel_for_({0, static_cast<int>(parts.size())}, [&](const cv::Range& range) {
    for (int part = range.start; part < range.end; ++part) {
      cv::Mat cost = start.clone();
      for (int k = 0; k < kRays; ++k) {
        const int ray = (parts[part].first + k) % kRays;
        const bool closed = k < parts[part].count;
        auto* to = cost.ptr<unsigned short>(ray);
        for (int c = 0; c < columns; ++c) {
          const double r = polar.radius_mm[c];
          const bool within = r > inner_mm[ray] - kAround_mm && r < outer_mm[ray] + kAround_mm;
          if (within == closed) add(kBarred, to[c]);
        }
      }
      paths[part] = closed_path(costs.edges, cost, columns);
    }
  });
  std::vector<PolygonMm> curves;
  for (const Path& path : paths) {
    if (inside_photo(polar, path)) curves.push_back(curve_of(polar, path));
  }
  return curves;
}

}  // namespace panecard::trace
