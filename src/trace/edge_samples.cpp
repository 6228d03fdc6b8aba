#include "trace/edge_samples.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <iterator>
#include <limits>
#include <opencv2/imgproc.hpp>
#include <utility>

#include "trace/closed_path.h"
#include "trace/edge.h"

namespace panecard::trace {
namespace {

// Averaging along the edge: corners are rounder than this. A faint edge shows in a longer average.
constexpr double kAlong_mm = 1.5, kFaintAlong_mm = 6;

// Median of the change away from the middle of the strip, over some rows before and after.
std::vector<float> local_noise(const cv::Mat& size, const cv::Mat& blind) {
  constexpr int kAround = 12, kEvery = 4;
  const int rows = size.rows, columns = size.cols;
  const int off = static_cast<int>(std::lround(0.9 / kEdgeColumn_mm)), middle = columns / 2;
  std::vector<float> out(rows);
  cv::parallel_for_({0, (rows + kEvery - 1) / kEvery}, [&](const cv::Range& range) {
    std::vector<float> sample;
    for (int start = range.start * kEvery; start < std::min(range.end * kEvery, rows);
         start += kEvery) {
      sample.clear();
      for (int k = -kAround; k <= kAround; k += 2) {
        const int at = wrapped(start + k, rows);
        const auto* row = size.ptr<float>(at);
        const auto* hidden = blind.ptr<unsigned char>(at);
        for (int j = 2; j + 2 < columns; j += 2) {
          if (std::abs(j - middle) > off && hidden[j] == 0) sample.push_back(row[j]);
        }
      }
      // Beside nothing that was seen no edge is clear.
      if (sample.empty()) sample.push_back(std::numeric_limits<float>::max());
      const auto half = sample.begin() + static_cast<std::ptrdiff_t>(sample.size() / 2);
      std::nth_element(sample.begin(), half, sample.end());
      std::fill(out.begin() + start, out.begin() + std::min(start + kEvery, rows),
                std::max(*half, 1e-6F));
    }
  });
  return out;
}

// How strongly the picture changes across the curve, and the noise of that figure.
struct Change {
  cv::Mat shade;             // CV_32F: mean of the channels, as blurred
  cv::Mat across;            // CV_32FC3, per step
  cv::Mat size;              // CV_32F
  std::vector<float> noise;  // per row: the usual change off the edge, in its neighbourhood
};

Change change_across(const Strip& strip, double along_mm, double blur_mm) {
  const int rows = strip.root.rows, columns = strip.root.cols;
  const cv::Mat soft = blurred_round(strip.root, along_mm / kEdgeRow_mm, blur_mm / kEdgeColumn_mm);
  Change out{cv::Mat(rows, columns, CV_32F),
             cv::Mat(rows, columns, CV_32FC3, cv::Scalar::all(0)),
             cv::Mat(rows, columns, CV_32F, cv::Scalar(0)),
             {}};
  cv::parallel_for_({0, rows}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const auto* from = soft.ptr<cv::Vec3f>(i);
      auto* to = out.across.ptr<cv::Vec3f>(i);
      auto* size = out.size.ptr<float>(i);
      auto* shade = out.shade.ptr<float>(i);
      for (int j = 0; j < columns; ++j) shade[j] = (from[j][0] + from[j][1] + from[j][2]) / 3;
      for (int j = 1; j + 1 < columns; ++j) {
        to[j] = 0.5F * (from[j + 1] - from[j - 1]);
        size[j] = std::sqrt(to[j].dot(to[j]));
      }
    }
  });
  out.noise = local_noise(out.size, strip.blind);
  return out;
}

// What each place of the strip has for it: a strong edge, near the middle.
cv::Mat evidence(const Change& change, const Strip& strip) {
  constexpr float kMost = 20;  // times twice the noise: evidence of 6
  const int rows = strip.root.rows, columns = strip.root.cols;
  cv::Mat out(rows, columns, CV_32F);
  cv::parallel_for_({0, rows}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const auto* size = change.size.ptr<float>(i);
      const auto* blind = strip.blind.ptr<unsigned char>(i);
      auto* to = out.ptr<float>(i);
      // The clearest place of a row counts so much at the most; the others stay behind it.
      float clearest = 0;
      for (int j = 0; j < columns; ++j) clearest = std::max(clearest, blind[j] != 0 ? 0 : size[j]);
      const float unit = 1 / std::max(2 * change.noise[i], clearest / kMost);
      for (int j = 0; j < columns; ++j) {
        const float ratio = size[j] * unit;
        to[j] = blind[j] != 0 ? 1 : 1 + ratio * ratio;
      }
      cv::Mat row = out.row(i);
      cv::log(row, row);
      for (int j = 0; j < columns; ++j) {
        // The rough curve is good to about a millimetre: a normal belief of that width.
        const auto off = static_cast<float>(strip.offset_mm(j));
        to[j] -= 0.5F * off * off;
      }
    }
  });
  return out;
}

// The best closed path along the strip, without jumps.
std::vector<int> follow(const Change& change, const Strip& strip) {
  constexpr std::array kMoves{0, -2, -1, 1, 2};  // among equals, straight on
  constexpr int kMaxMove = 2;
  constexpr float kMoveCost = 0.15F, kWorst = -1e9F;
  const cv::Mat gain = evidence(change, strip);
  const int columns = gain.cols;
  const Unrolled line = turn_and_a_quarter(gain.rows);
  PathSums<float> sums(line.steps, columns, kMaxMove, 0.0F, kWorst);
  return closed_path(
      line, sums,
      [&](const float* from, int step, float* to) {
        best_moves(from, columns, kMaxMove, kMoveCost, to);
        const auto* here = gain.ptr<float>(line.row(step));
        for (int j = 0; j < columns; ++j) to[j] += here[j];
      },
      [&](const float* from, int, int j) { return j + best_move(from + j, kMoves, kMoveCost); },
      std::greater<>());
}

// A blurred step's change is a Gaussian, 2.355 sigma wide at half its height.
double width_cells(const Change& change, int row, int column) {
  const cv::Vec3f u = change.across.at<cv::Vec3f>(row, column);
  const float half = 0.5F * u.dot(u);
  const auto reach = [&](int way) {
    float before = 2 * half;
    for (int k = 1; column + way * k > 0 && column + way * k + 1 < change.across.cols; ++k) {
      const float now = u.dot(change.across.at<cv::Vec3f>(row, column + way * k));
      if (now <= half) return k - 1 + static_cast<double>((before - half) / (before - now));
      before = now;
    }
    return change.across.cols / 2.0;
  };
  return (reach(-1) + reach(1)) / 2.355;
}

// Light hardly reaches the line where a rounded seal touches the glass. Where that crevice can be
// looked into there is a dark line between two steps, and the stronger step may be the one on the
// glass's side of it; the contact is then as much further out as the line is wider than blur alone
// would make the foot of one step. Column of the contact, given the stronger step's.
double contact(const float* shade, int columns, double step_column, double blur_mm) {
  const auto cells = [](double mm) { return static_cast<int>(std::lround(mm / kEdgeColumn_mm)); };
  const int around = cells(0.9), shoulder = cells(1.2);
  const int middle = static_cast<int>(std::lround(step_column));
  const int lo = std::max(1, middle - around), hi = std::min(columns - 2, middle + around);
  if (lo >= hi) return step_column;
  const int v = static_cast<int>(std::min_element(shade + lo, shade + hi + 1) - shade);
  if (v == lo || v == hi) return step_column;
  const float left = *std::max_element(shade + std::max(0, v - shoulder), shade + v) - shade[v];
  const float right =
      *std::max_element(shade + v + 1, shade + std::min(columns, v + shoulder + 1)) - shade[v];
  // A third of the higher side: less could be the blur of a step onto an uneven pane.
  constexpr float kDeep = 0.33F;
  if (std::min(left, right) < kDeep * std::max(left, right)) return step_column;
  const float a = shade[v - 1], b = shade[v], c = shade[v + 1], bend = a - 2 * b + c;
  const double darkest =
      v + (bend > 0 ? std::clamp(0.5 * static_cast<double>((a - c) / bend), -0.5, 0.5) : 0.0);
  const double foot = 1.1 * blur_mm / kEdgeColumn_mm, away = darkest - step_column;
  return step_column + std::copysign(std::max(0.0, std::abs(away) - foot), away);
}

// Vertex of the parabola through three samples of the change, taken along the colour direction of
// the edge itself, so that noise in other directions cannot pull it.
Samples locate(const Change& change, const Strip& strip, const std::vector<int>& path,
               double along_mm, double blur_mm) {
  // The median of three noisy channels' length is about 1.5 of their sigma: this is nearly 4 sigma,
  // and a stretch counts only when most of its rows pass.
  constexpr float kClear = 2.5F;
  const int rows = strip.root.rows, columns = strip.root.cols;
  Samples out{std::vector<double>(rows), std::vector<bool>(rows),
              std::vector<double>(rows, along_mm), std::vector<double>(rows)};
  for (int i = 0; i < rows; ++i) {
    const int j = std::clamp(path[i], 2, columns - 3);
    const cv::Vec3f u = change.across.at<cv::Vec3f>(i, j);
    const double a = u.dot(change.across.at<cv::Vec3f>(i, j - 1)), b = u.dot(u),
                 c = u.dot(change.across.at<cv::Vec3f>(i, j + 1));
    const double bend = a - 2 * b + c;
    const double shift = bend < 0 ? std::clamp(0.5 * (a - c) / bend, -1.0, 1.0) : 0;
    out.offset_mm[i] =
        strip.offset_mm(contact(change.shade.ptr<float>(i), columns, j + shift, blur_mm));
    out.width_mm[i] = width_cells(change, i, j) * kEdgeColumn_mm;
    const bool peak = change.size.at<float>(i, j) >= change.size.at<float>(i, j - 2) &&
                      change.size.at<float>(i, j) >= change.size.at<float>(i, j + 2);
    out.seen[i] = peak && strip.blind.at<unsigned char>(i, j) == 0 &&
                  change.size.at<float>(i, j) > kClear * change.noise[i];
  }
  return out;
}

void settle_seen(std::vector<bool>& seen) {
  const int n = static_cast<int>(seen.size());
  // An isolated glimpse within a dark stretch is chance as often as not.
  std::vector<double> share(n);
  for (int i = 0; i < n; ++i) {
    int count = 0;
    for (int k = -kShortRun; k <= kShortRun; ++k) count += seen[wrapped(i + k, n)] ? 1 : 0;
    share[i] = count / (2.0 * kShortRun + 1);
  }
  for (int i = 0; i < n; ++i) seen[i] = seen[i] && share[i] > 0.4;
}

}  // namespace

Samples samples_of(const Strip& strip, const Blur& blur) {
  // The long average as well as the short one: nearly every photo has a faint stretch.
  constexpr std::array<double, 2> kAverages_mm{kAlong_mm, kFaintAlong_mm};
  std::array<Samples, 2> averaged;
  cv::parallel_for_({0, 2}, [&](const cv::Range& range) {
    for (int k = range.start; k < range.end; ++k) {
      const Change change = change_across(strip, kAverages_mm[k], blur.own_mm);
      averaged[k] = locate(change, strip, follow(change, strip), kAverages_mm[k], blur.all_mm);
      settle_seen(averaged[k].seen);
    }
  });
  Samples& out = averaged[0];
  const Samples& faint = averaged[1];
  if (std::count(out.seen.begin(), out.seen.end(), false) <= kShortRun) return std::move(out);
  for (std::size_t i = 0; i < out.seen.size(); ++i) {
    if (out.seen[i] || !faint.seen[i]) continue;
    out.seen[i] = true;
    out.offset_mm[i] = faint.offset_mm[i];
    out.along_mm[i] = faint.along_mm[i];
    out.width_mm[i] = faint.width_mm[i];
  }
  return std::move(out);
}

std::vector<double> shading(const Samples& samples, double blur_mm) {
  constexpr int kAround = 10;
  constexpr double kScatter = 1.25;
  const int n = static_cast<int>(samples.width_mm.size());
  std::vector<double> width(n), known;
  cv::parallel_for_({0, n}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      std::vector<double> near;
      for (int k = -kAround; k <= kAround; ++k) {
        const int row = wrapped(i + k, n);
        if (samples.seen[row]) near.push_back(samples.width_mm[row]);
      }
      if (!near.empty()) width[i] = median(std::move(near));
    }
  });
  std::copy_if(width.begin(), width.end(), std::back_inserter(known),
               [](double w) { return w > 0; });
  if (known.empty()) return width;
  const auto tenth = known.begin() + static_cast<std::ptrdiff_t>(known.size() / 10);
  std::nth_element(known.begin(), tenth, known.end());
  const double sharp = kScatter * std::max(blur_mm, *tenth);
  for (double& w : width) w = std::sqrt(std::max(0.0, w * w - sharp * sharp));
  return width;
}

}  // namespace panecard::trace
