#include "trace/material.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace panecard::trace {
namespace {

constexpr int kNeighbours = Materials::kSectors / 3;  // sectors either side that have a vote

using Seen = std::vector<std::vector<Tone>>;  // per sector

float median_of(std::vector<float>& v) {
  const auto middle = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), middle, v.end());
  return *middle;
}

void collect(const cv::Mat& tones, int row, int from, int to, std::vector<Tone>& out) {
  const auto* tone = tones.ptr<cv::Vec3f>(row);
  for (int c = std::max(from, 0); c < std::min(to, tones.cols); ++c) {
    if (!std::isnan(tone[c][0])) out.push_back({tone[c][0], tone[c][1], tone[c][2]});
  }
}

std::vector<Look> looks_of(const Seen& seen) {
  constexpr std::size_t kLeast = 50;
  std::vector<Look> out(Materials::kSectors);
  std::vector<float> v;
  for (int sector = 0; sector < Materials::kSectors; ++sector) {
    for (std::size_t k = 0; k < 3; ++k) {
      v.clear();
      for (int j = -kNeighbours; j <= kNeighbours; ++j) {
        for (const Tone& tone : seen[(sector + j + Materials::kSectors) % Materials::kSectors]) {
          v.push_back(tone[k]);
        }
      }
      if (v.size() < kLeast) return {};
      out[sector].middle[k] = median_of(v);
      for (float& x : v) x = std::abs(x - out[sector].middle[k]);
      out[sector].sigma[k] = 1.48F * median_of(v);
    }
  }
  return out;
}

float alike(const cv::Vec3f& tone, const Look& look) {
  // Shading and dirt: half a step of the root scale, a third of that in hue.
  constexpr Tone kShading{0.5F, 0.15F, 0.15F};
  float d2 = 0;
  for (int k = 0; k < 3; ++k) {
    const float off = tone[k] - look.middle[k];
    d2 += off * off / (4 * look.sigma[k] * look.sigma[k] + kShading[k] * kShading[k]);
  }
  return 1 / (1 + d2 / 2);
}

}  // namespace

cv::Mat tones(const Strip& strip) {
  const int per_mm = static_cast<int>(std::lround(1 / strip.step_mm));
  const int cells = strip.root.cols / per_mm;
  cv::Mat out(strip.root.rows, cells, CV_32FC3);
  for (int i = 0; i < out.rows; ++i) {
    const auto* root = strip.root.ptr<cv::Vec3f>(i);
    const auto* blind = strip.blind.ptr<unsigned char>(i);
    auto* to = out.ptr<cv::Vec3f>(i);
    for (int c = 0; c < cells; ++c) {
      cv::Vec3f sum(0, 0, 0);
      for (int k = 0; k < per_mm; ++k, ++root) sum += *root;
      sum /= static_cast<float>(per_mm);
      const float shade = (sum[0] + sum[1] + sum[2]) / 3;
      to[c] = {blind[static_cast<std::ptrdiff_t>(c) * per_mm] != 0
                   ? std::numeric_limits<float>::quiet_NaN()
                   : shade,
               sum[0] - shade, sum[2] - shade};
    }
  }
  return out;
}

Materials learn_materials(const cv::Mat& tones, const std::vector<int>& inner,
                          const std::vector<int>& outer) {
  constexpr int kBodyFrom = 3, kBodyTo = 9;  // cells beyond the seal
  Seen seal(Materials::kSectors), body(Materials::kSectors);
  for (int i = 0; i < tones.rows; i += 2) {
    const int sector = i * Materials::kSectors / tones.rows;
    collect(tones, i, inner[i] + 1, outer[i], seal[sector]);
    collect(tones, i, outer[i] + kBodyFrom, outer[i] + kBodyTo, body[sector]);
  }
  Materials out{looks_of(seal), looks_of(body)};
  if (out.seal.empty() || out.body.empty()) return {};
  return out;
}

Likeness likeness(const cv::Mat& tones, const Materials& materials) {
  Likeness out{cv::Mat(tones.size(), CV_32F), cv::Mat(tones.size(), CV_32F)};
  for (int i = 0; i < tones.rows; ++i) {
    const int sector = i * Materials::kSectors / tones.rows;
    const auto* tone = tones.ptr<cv::Vec3f>(i);
    auto* seal = out.seal.ptr<float>(i);
    auto* body = out.body.ptr<float>(i);
    for (int c = 0; c < tones.cols; ++c) {
      const bool blind = std::isnan(tone[c][0]);
      seal[c] = blind ? 0 : alike(tone[c], materials.seal[sector]);
      body[c] = blind ? 0 : alike(tone[c], materials.body[sector]);
    }
  }
  return out;
}

}  // namespace panecard::trace
