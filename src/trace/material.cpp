#include "trace/material.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <utility>

namespace panecard::trace {
namespace {

constexpr int kNeighbours = Materials::kSectors / 3;  // sectors either side that have a vote

using Seen = std::vector<std::vector<Tone>>;  // per sector

// One channel's values in order, each with its sector. The median of a window of sectors is then a
// walk along them, and the median of the distances from it a walk outwards to both sides.
class Ordered {
 public:
  Ordered(const Seen& seen, std::size_t channel) {
    for (std::size_t sector = 0; sector < seen.size(); ++sector) {
      for (const Tone& tone : seen[sector]) {
        values_.push_back({tone[channel], static_cast<int>(sector)});
      }
    }
    std::sort(values_.begin(), values_.end());
  }

  // `votes`: per sector 1 or 0. `count`: the values of all sectors that have a vote.
  void look(const std::vector<int>& votes, int count, float& middle, float& sigma) const {
    int left = count / 2 + 1;
    std::size_t at = 0;
    while ((left -= votes[values_[at].second]) > 0) ++at;
    middle = values_[at].first;
    left = count / 2 + 1;
    std::size_t below = at, above = at;  // looked at next: below - 1 and above
    float away = 0;
    while (left > 0) {
      const float down =
          below > 0 ? middle - values_[below - 1].first : std::numeric_limits<float>::infinity();
      const float up = above < values_.size() ? values_[above].first - middle
                                              : std::numeric_limits<float>::infinity();
      away = std::min(down, up);
      left -= votes[values_[down < up ? --below : above++].second];
    }
    sigma = 1.48F * away;
  }

 private:
  std::vector<std::pair<float, int>> values_;
};

void collect(const cv::Mat& tones, int row, int from, int to, std::vector<Tone>& out) {
  const auto* tone = tones.ptr<cv::Vec3f>(row);
  for (int c = std::max(from, 0); c < std::min(to, tones.cols); ++c) {
    if (!std::isnan(tone[c][0])) out.push_back({tone[c][0], tone[c][1], tone[c][2]});
  }
}

std::vector<Look> looks_of(const Seen& seen) {
  constexpr int kLeast = 50;
  const std::array<Ordered, 3> channels{Ordered(seen, 0), Ordered(seen, 1), Ordered(seen, 2)};
  std::vector<Look> out(Materials::kSectors);
  std::vector<int> votes(Materials::kSectors);
  for (int sector = 0; sector < Materials::kSectors; ++sector) {
    std::fill(votes.begin(), votes.end(), 0);
    int count = 0;
    for (int j = -kNeighbours; j <= kNeighbours; ++j) {
      const int other = (sector + j + Materials::kSectors) % Materials::kSectors;
      votes[other] = 1;
      count += static_cast<int>(seen[other].size());
    }
    if (count < kLeast) return {};
    for (std::size_t k = 0; k < 3; ++k) {
      channels[k].look(votes, count, out[sector].middle[k], out[sector].sigma[k]);
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
