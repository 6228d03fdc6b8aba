#include "trace/ring_body.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <opencv2/core/hal/intrin.hpp>

#include "trace/ring_edges.h"

namespace panecard::trace {
namespace {

Colour shade_and_hue(const cv::Vec3f& root) {
  const float shade = (root[0] + root[1] + root[2]) / 3;
  return {shade, root[0] - shade, root[2] - shade};
}

float median_of(std::vector<float>& v) {
  std::nth_element(v.begin(), v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2), v.end());
  return v[v.size() / 2];
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

}  // namespace

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
        const int ray = wrapped(start + j, kRays);
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

BodyScale body_scale_of(const Polar& polar) { return {grain_of(polar), body_windows(polar)}; }

cv::Mat body_cost(const Polar& polar, const BodyScale& scale, const std::vector<Body>& body) {
  constexpr float kWeight = 0.6F * kUnit;
  const int columns = polar.columns();
  cv::Mat cost(kRays, padded(columns), CV_16U, cv::Scalar(0));
  const Alike alike(scale.grain);
  cv::parallel_for_({0, kRays}, [&](const cv::Range& range) {
    std::vector<float> sum;
    for (int ray = range.start; ray < range.end; ++ray) {
      alike.look(polar.root.ptr<float>(ray), columns, body[ray], sum);
      auto* to = cost.ptr<unsigned short>(ray);
      for (int c = polar.first[ray]; c < columns; ++c) {
        const Window& w = scale.windows[c];
        const float outside = (sum[w.out_to] - sum[w.out_from]) * w.per_out,
                    inside = (sum[w.in_to] - sum[w.in_from]) * w.per_in;
        const float up = std::max(0.0F, kWeight * (1 - outside + inside)) + 0.5F;
        to[c] = static_cast<unsigned short>(static_cast<int>(up));
      }
    }
  });
  return cost;
}

}  // namespace panecard::trace
