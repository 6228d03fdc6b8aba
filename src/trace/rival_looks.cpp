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

// Rows that follow each other, with a likely rival each, at about the same offset.
struct Run {
  int first, count;
};

std::vector<Run> likely_runs(const Ribbon& ribbon) {
  constexpr double kSame_mm = 3;
  const int n = static_cast<int>(ribbon.rival_probability.size());
  const auto likely = [&](int i) {
    return ribbon.rival_probability[wrapped(i, n)] >= kLikelyRival;
  };
  const auto goes_on = [&](int i) {  // from the row before
    return likely(i - 1) && std::abs(ribbon.rival_mm[wrapped(i, n)] -
                                     ribbon.rival_mm[wrapped(i - 1, n)]) <= kSame_mm;
  };
  int start = 0;
  while (start < n && likely(start) && goes_on(start)) ++start;
  if (start == n) return n > 0 ? std::vector<Run>{{0, n}} : std::vector<Run>{};
  std::vector<Run> runs;
  for (int i = start; i < start + n; ++i) {
    if (!likely(i)) continue;
    if (runs.empty() || i == start || !goes_on(i)) runs.push_back({i, 0});
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

// Of a run, the share that a look about the rival stayed on it instead of coming back to the edge
// taken.
double share_kept(const Ribbon& ribbon, const Run& run, const PolygonMm& curve,
                  const PolygonMm& rival_curve, const PolygonMm& seen) {
  const int n = static_cast<int>(curve.size());
  constexpr int kEvery = 4;  // rows
  int kept = 0, looked = 0;
  for (int k = 0; k < run.count; k += kEvery, ++looked) {
    const int i = wrapped(run.first + k, n);
    kept += distance_to_closed(rival_curve[i], seen) < std::abs(ribbon.rival_mm[i]) / 2 ? 1 : 0;
  }
  return static_cast<double>(kept) / looked;
}

struct LookedAt {
  Looked taken;
  std::vector<Looked> rivals;
};

// The edge taken as every other way is looked at; rivals nearer, since one is 5 mm away at the
// least and its look should not come back.
constexpr double kNear_mm = 2;

LookedAt look_at(const View& view, PointMm middle, const Ribbon& ribbon,
                 const std::vector<Run>& runs) {
  const double width_mm = median(ribbon.width_mm);
  LookedAt out;
  out.rivals.resize(runs.size());
  cv::parallel_for_({0, static_cast<int>(runs.size()) + 1}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      if (i == 0) {
        out.taken = looked_at(view, middle, inner_curve(ribbon), width_mm, kSharp_mm);
      } else {
        out.rivals[i - 1] =
            looked_at(view, middle, with_rival(ribbon, runs[i - 1]), width_mm, kNear_mm);
      }
    }
  });
  return out;
}

// The most plausible of those that are ahead in the look that took the other edge and in their own.
const Looked* ahead_in_both(const Ribbon& ribbon, const std::vector<Run>& runs,
                            const LookedAt& looked) {
  const Looked* ahead = nullptr;
  for (std::size_t i = 0; i < runs.size(); ++i) {
    const Looked& rival = looked.rivals[i];
    if (mean_behind(ribbon, runs[i]) >= 0 || rival.score <= looked.taken.score) continue;
    if (ahead == nullptr || rival.score > ahead->score) ahead = &rival;
  }
  return ahead;
}

void weigh(const std::vector<Run>& runs, const LookedAt& looked, Ribbon& ribbon) {
  // Where a rival parts from the edge taken, and where it joins it, it is on neither: so much of
  // the way counts for nothing.
  constexpr double kEnds_mm = 70, kLeastKept = 0.25;
  const int n = static_cast<int>(ribbon.rival_mm.size());
  const PolygonMm curve = inner_curve(ribbon);
  for (std::size_t i = 0; i < runs.size(); ++i) {
    const Run& run = runs[i];
    double length_mm = 0;
    for (int k = 0; k < run.count; ++k) {
      length_mm += distance(curve[wrapped(run.first + k, n)], curve[wrapped(run.first + k + 1, n)]);
    }
    const double lost = (looked.taken.score - looked.rivals[i].score) * perimeter_mm(curve);
    const double ends = run.count < n ? kEnds_mm * std::max(0.0, looked.taken.score) : 0;
    const double behind = std::max(mean_behind(ribbon, run), (lost - ends) / length_mm);
    // One that a look from its own place does not stay on is no edge; a short one it may miss.
    const bool none = length_mm > kEnds_mm &&
                      share_kept(ribbon, run, curve, with_rival(ribbon, run),
                                 inner_curve(looked.rivals[i].settled.ribbon)) < kLeastKept;
    for (int k = 0; k < run.count; ++k) {
      ribbon.rival_probability[wrapped(run.first + k, n)] = none ? 0 : probability(behind);
    }
  }
}

}  // namespace

Settled with_rivals_looked_at(const View& view, PointMm middle, Settled settled) {
  constexpr int kMostTaken = 2;
  for (int taken = 0;; ++taken) {
    judge_whole_stretches(row_mm(Pass::sharp), settled.ribbon);
    const std::vector<Run> runs = likely_runs(settled.ribbon);
    if (runs.empty()) return settled;
    const LookedAt looked = look_at(view, middle, settled.ribbon, runs);
    const Looked* ahead = ahead_in_both(settled.ribbon, runs, looked);
    if (ahead == nullptr || taken == kMostTaken) {
      weigh(runs, looked, settled.ribbon);
      return settled;
    }
    settled = ahead->settled;
  }
}

}  // namespace panecard::trace
