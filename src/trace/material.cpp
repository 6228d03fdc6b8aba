#include "trace/material.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <tuple>
#include <utility>

namespace panecard::trace {
namespace {

constexpr int kNeighbours = Materials::kSectors / 3;  // sectors either side that have a vote

// How often each tone was seen, a channel at a time. Medians of thousands of tones for every part
// of the turn are then a walk along bins, a thirtieth of what counts as shading wide.
class Counts {
 public:
  Counts() : count_(static_cast<std::size_t>(kBins), 0) {}

  void add(float tone) {
    ++count_[bin(tone)];
    ++total_;
  }
  void take(const Counts& other, int sign) {
    for (int b = 0; b < kBins; ++b) count_[b] += sign * other.count_[b];
    total_ += sign * other.total_;
  }
  int total() const { return total_; }

  // The median and 1.48 times the median distance from it.
  std::pair<float, float> middle_and_spread() const {
    int left = total_ / 2 + 1, at = 0;
    while ((left -= count_[at]) > 0) ++at;
    int away = 0;
    for (left = total_ / 2 + 1 - count_[at]; left > 0;) {
      ++away;
      if (at - away >= 0) left -= count_[at - away];
      if (at + away < kBins) left -= count_[at + away];
    }
    return {(static_cast<float>(at) + 0.5F) / kPerTone - kMost,
            1.48F * static_cast<float>(away) / kPerTone};
  }

 private:
  static constexpr float kMost = 17, kPerTone = 64;  // roots of 8-bit intensities, and differences
  static constexpr int kBins = static_cast<int>(2 * kMost * kPerTone);
  static std::size_t bin(float tone) {
    return static_cast<std::size_t>(
        std::clamp((tone + kMost) * kPerTone, 0.0F, static_cast<float>(kBins - 1)));
  }

  std::vector<int> count_;
  int total_ = 0;
};

using Seen = std::vector<std::array<Counts, 3>>;  // per sector

void collect(const cv::Mat& tones, int row, int from, int to, std::array<Counts, 3>& out) {
  const auto* tone = tones.ptr<cv::Vec3f>(row);
  for (int c = std::max(from, 0); c < std::min(to, tones.cols); ++c) {
    if (std::isnan(tone[c][0])) continue;
    for (int k = 0; k < 3; ++k) out[k].add(tone[c][k]);
  }
}

std::vector<Look> looks_of(const Seen& seen) {
  constexpr int kLeast = 50, kSectors = Materials::kSectors;
  std::vector<Look> out(kSectors);
  std::array<Counts, 3> window;
  const auto take = [&](int sector, int sign) {
    for (int k = 0; k < 3; ++k) window[k].take(seen[(sector + kSectors) % kSectors][k], sign);
  };
  for (int j = -kNeighbours; j <= kNeighbours; ++j) take(j, 1);
  for (int sector = 0; sector < kSectors; ++sector) {
    if (window[0].total() < kLeast) return {};
    for (int k = 0; k < 3; ++k) {
      std::tie(out[sector].middle[k], out[sector].sigma[k]) = window[k].middle_and_spread();
    }
    take(sector - kNeighbours, -1);
    take(sector + kNeighbours + 1, 1);
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

void likeness_of(const cv::Mat& tones, int row, int from, int to, const Look& look,
                 std::vector<double>& out) {
  const auto* tone = tones.ptr<cv::Vec3f>(row);
  for (int c = std::max(from, 0); c < std::min(to, tones.cols); ++c) {
    if (!std::isnan(tone[c][0])) out.push_back(alike(tone[c], look));
  }
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
  Materials out;
  out.seal = looks_of(seal), out.body = looks_of(body);
  if (out.seal.empty() || out.body.empty()) return {};
  std::vector<double> seal_alike, body_alike;
  constexpr int kEvery = 8;  // some hundred rows are enough for a median
  for (int i = 0; i < tones.rows; i += kEvery) {
    const int sector = i * Materials::kSectors / tones.rows;
    likeness_of(tones, i, inner[i] + 1, outer[i], out.seal[sector], seal_alike);
    likeness_of(tones, i, outer[i] + kBodyFrom, outer[i] + kBodyTo, out.body[sector], body_alike);
  }
  if (!seal_alike.empty()) out.usual_seal = static_cast<float>(median(std::move(seal_alike)));
  if (!body_alike.empty()) out.usual_body = static_cast<float>(median(std::move(body_alike)));
  return out;
}

Likeness likeness(const cv::Mat& tones, const Materials& materials) {
  Likeness out{cv::Mat(tones.size(), CV_32F), cv::Mat(tones.size(), CV_32F), materials.usual_seal,
               materials.usual_body};
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
