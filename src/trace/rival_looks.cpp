#include "trace/rival_looks.h"

#include <algorithm>
#include <cmath>
#include <opencv2/core/utility.hpp>
#include <utility>
#include <vector>

#include "trace/rivals.h"
#include "trace/splice.h"
#include "trace/strip.h"

namespace panecard::trace {
namespace {

// Rows that follow each other, with a likely rival each.
struct Run {
  int first, count;
};

std::vector<Run> likely_runs(const Ribbon& ribbon) {
  const int n = static_cast<int>(ribbon.rival_probability.size());
  const auto likely = [&](int i) {
    return ribbon.rival_probability[wrapped(i, n)] >= kLikelyRival;
  };
  int start = 0;
  while (start < n && likely(start - 1)) ++start;
  if (start == n) return n > 0 ? std::vector<Run>{{0, n}} : std::vector<Run>{};
  std::vector<Run> runs;
  for (int i = start; i < start + n; ++i) {
    if (!likely(i)) continue;
    if (!likely(i - 1)) runs.push_back({i, 0});
    ++runs.back().count;
  }
  return runs;
}

PolygonMm with_rival(const Ribbon& ribbon, const Run& run) {
  PolygonMm curve = inner_curve(ribbon);
  const int n = static_cast<int>(curve.size());
  for (int k = 0; k < run.count; ++k) {
    const int i = wrapped(run.first + k, n);
    curve[i] = curve[i] + ribbon.rival_mm[i] * ribbon.normals[i];
  }
  return curve;
}

double mean_behind(const Ribbon& ribbon, const Run& run) {
  const int n = static_cast<int>(ribbon.rival_behind.size());
  double sum = 0;
  for (int k = 0; k < run.count; ++k) sum += ribbon.rival_behind[wrapped(run.first + k, n)];
  return sum / run.count;
}

struct Looked {
  Settled settled;
  double score = 0;
};

Looked looked_at(const View& view, PointMm middle, const PolygonMm& curve, double width_mm,
                 double within_mm) {
  Looked out;
  out.settled.ribbon =
      look(view, curve, Pass::sharp, about_inner(width_mm, within_mm), out.settled.materials);
  out.score = plausibility(middle, seen_from(middle, out.settled.ribbon));
  return out;
}

// Calibrated on rendered photos, see docs/trace.md.
double probability(double behind) { return 1 / (1 + std::exp(-0.29 + 0.55 * behind)); }

// One round; whether a rival was taken.
bool look_at_rivals(const View& view, PointMm middle, Settled& settled) {
  // A rival is 5 mm away at the least: no look about one ends on the edge taken.
  constexpr double kWithin_mm = 2;
  // Where a rival parts from the edge taken, and where it joins it, it is on neither: so much of
  // the way counts for nothing.
  constexpr double kEnds_mm = 70;
  Ribbon& ribbon = settled.ribbon;
  const std::vector<Run> runs = likely_runs(ribbon);
  if (runs.empty()) return false;
  const double width_mm = median(ribbon.width_mm);
  std::vector<Looked> all(1 + runs.size());  // what was taken first
  cv::parallel_for_({0, static_cast<int>(all.size())}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      all[i] = i == 0
                   ? looked_at(view, middle, inner_curve(ribbon), width_mm, kSharp_mm)
                   : looked_at(view, middle, with_rival(ribbon, runs[i - 1]), width_mm, kWithin_mm);
    }
  });
  const Looked* ahead = nullptr;
  for (std::size_t i = 0; i < runs.size(); ++i) {
    const Looked& rival = all[i + 1];
    if (mean_behind(ribbon, runs[i]) >= 0 || rival.score <= all[0].score) continue;
    if (ahead == nullptr || rival.score > ahead->score) ahead = &rival;
  }
  if (ahead != nullptr) {
    Settled taken = ahead->settled;
    settled = std::move(taken);
    return true;
  }
  const int n = static_cast<int>(ribbon.rival_mm.size());
  const PolygonMm curve = inner_curve(ribbon);
  for (std::size_t i = 0; i < runs.size(); ++i) {
    double length_mm = 0;
    for (int k = 0; k < runs[i].count; ++k) {
      length_mm +=
          distance(curve[wrapped(runs[i].first + k, n)], curve[wrapped(runs[i].first + k + 1, n)]);
    }
    const double lost = (all[0].score - all[i + 1].score) * perimeter_mm(curve);
    const double behind =
        std::max(mean_behind(ribbon, runs[i]), (lost - kEnds_mm * all[0].score) / length_mm);
    for (int k = 0; k < runs[i].count; ++k) {
      ribbon.rival_probability[wrapped(runs[i].first + k, n)] = probability(behind);
    }
  }
  return false;
}

}  // namespace

Settled with_rivals_looked_at(const View& view, PointMm middle, Settled settled) {
  constexpr int kMostRounds = 3;
  judge_whole_stretches(row_mm(Pass::sharp), settled.ribbon);
  for (int round = 0; round < kMostRounds && look_at_rivals(view, middle, settled); ++round) {
    judge_whole_stretches(row_mm(Pass::sharp), settled.ribbon);
  }
  return settled;
}

}  // namespace panecard::trace
