#include "trace/evidence.h"

#include <algorithm>
#include <cmath>
#include <opencv2/core/utility.hpp>
#include <opencv2/imgproc.hpp>

#include "trace/material.h"

namespace panecard::trace {
namespace {

// Length of the difference of two rows of colours, `count` of them.
void lengths(const float* a, const float* b, int count, float* to) {
  for (std::ptrdiff_t j = 0; j < count; ++j) {
    const float x = b[3 * j] - a[3 * j], y = b[3 * j + 1] - a[3 * j + 1],
                z = b[3 * j + 2] - a[3 * j + 2];
    to[j] = std::sqrt(x * x + y * y + z * z);
  }
}

cv::Mat change_across(const cv::Mat& root) {
  cv::Mat size(root.size(), CV_32F);
  cv::parallel_for_({0, root.rows}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const auto* from = root.ptr<float>(i);
      auto* to = size.ptr<float>(i);
      lengths(from, from + 6, root.cols - 2, to + 1);
      to[0] = to[root.cols - 1] = 0;
    }
  });
  return size;
}

cv::Mat change_along(const cv::Mat& root, int apart) {
  const int rows = root.rows;
  cv::Mat size(root.size(), CV_32F);
  cv::parallel_for_({0, rows}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      lengths(root.ptr<float>((i + rows - apart) % rows), root.ptr<float>((i + apart) % rows),
              root.cols, size.ptr<float>(i));
    }
  });
  return size;
}

// A change counts by how far it stands out: of the noise in a grainy photo, of shading (an eighth
// of the strip's clear edges) in a clean one.
float least_change(const cv::Mat& size, float clear_edge) {
  return std::max({2 * sampled_quantile(size, 0.5), clear_edge / 8, 1e-6F});
}

}  // namespace

Evidence evidence_of(const Strip& strip, double row_mm, double sigma_mm, float cap) {
  constexpr double kAlong_mm = 3, kAcross_mm = 2, kApart_mm = 4;
  const int rows = strip.root.rows, columns = strip.root.cols;
  cv::Mat edge =
      change_across(blurred_round(strip.root, kAlong_mm / row_mm, sigma_mm / strip.step_mm));
  cv::Mat change = change_along(blurred_round(strip.root, kAcross_mm / row_mm, 1.0 / strip.step_mm),
                                std::max(1, static_cast<int>(std::lround(kApart_mm / row_mm))));
  // Two edges of a few columns each run through the strip's hundred or more.
  const float clear_edge = sampled_quantile(edge, 0.98);
  const float unit = least_change(edge, clear_edge);
  // A rounded seal shades over several millimetres, an edge within one: only what stands out from
  // its own surroundings is an edge.
  cv::Mat around;
  const int reach = static_cast<int>(std::lround(3 / strip.step_mm));
  cv::blur(edge, around, {2 * reach + 1, 1}, {-1, -1}, cv::BORDER_REPLICATE);
  const float edge_unit = 1 / (unit * unit);
  const float change_least = least_change(change, clear_edge);
  const float change_unit = 1 / (change_least * change_least);

  const int per_mm = static_cast<int>(std::lround(1 / strip.step_mm));
  const int cells = columns / per_mm;
  Evidence out{cv::Mat(rows, cells, CV_32F),
               cv::Mat(rows, cells, CV_32F),
               strip.first_mm + 0.5 - strip.step_mm / 2,
               tones(strip),
               {}};
  // Likelihood ratios first: of the clearest edge of each millimetre, and the product, not more
  // than `kCap` each, of the changes along.
  constexpr float kCap = 4;
  const float edge_most = std::exp(cap), change_most = std::exp(kCap);
  cv::parallel_for_({0, rows}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const auto *from = edge.ptr<float>(i), *mean = around.ptr<float>(i),
                 *along = change.ptr<float>(i);
      const auto* blind = strip.blind.ptr<unsigned char>(i);
      auto *across_to = out.across.ptr<float>(i), *along_to = out.along.ptr<float>(i);
      for (int c = 0; c < cells; ++c) {
        float most = 0, product = 1;
        for (int j = c * per_mm; j < (c + 1) * per_mm; ++j) {
          most = std::max(most, from[j] - mean[j]);
          product *= std::min(change_most, 1 + along[j] * along[j] * change_unit);
        }
        // A card's own edges say nothing of the pane.
        const bool seen = blind[std::ptrdiff_t{c} * per_mm] == 0;
        across_to[c] = seen ? std::min(edge_most, 1 + most * most * edge_unit) : 1;
        along_to[c] = seen ? product : 1;
      }
    }
  });
  cv::log(out.across, out.across);
  cv::log(out.along, out.along);
  out.along *= 1.0 / per_mm;
  return out;
}

}  // namespace panecard::trace
