#include "trace/rivals.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "trace/strip.h"

namespace panecard::trace {
namespace {

// Calibrated on rendered photos, see docs/trace.md: how often the edge taken was the wrong one of
// two against how far the other's mean evidence was behind.
double rival_probability(double behind) { return 1 / (1 + std::exp(1.1 + 0.75 * behind)); }

PointMm mean_of(const PolygonMm& curve, int first, int count) {
  PointMm sum{};
  for (int k = 0; k < count; ++k) {
    sum = sum + curve[wrapped(first + k, static_cast<int>(curve.size()))];
  }
  return (1.0 / count) * sum;
}

// How far a curve steps aside at a point: what lies before and after it, prolonged, meets there on
// a smooth curve. At a corner it does not.
double step_at(const PolygonMm& curve, int i, double row_mm) {
  constexpr double kOff_mm = 15;  // a path slides from edge to edge within so much to either side
  const int off = static_cast<int>(kOff_mm / row_mm);
  const PointMm before_far = mean_of(curve, i - 3 * off, off),
                before = mean_of(curve, i - 2 * off, off), after = mean_of(curve, i + off, off),
                after_far = mean_of(curve, i + 2 * off, off);
  const PointMm from_before = before + 1.5 * (before - before_far),
                from_after = after + 1.5 * (after - after_far);
  const PointMm along = after - before;
  return std::abs(cross(along, from_after - from_before)) / std::max(norm(along), 1e-9);
}

struct Run {
  int first, count;
};

// Rows where a rival at about the same offset goes on, some of them with a likely one.
std::vector<Run> runs_of(const Ribbon& ribbon) {
  constexpr double kGoesOn = 0.1 * kLikelyRival, kSame_mm = 3;
  const int n = static_cast<int>(ribbon.rival_mm.size());
  const auto next = [&](int i) {  // whether the rival of row i goes on in the next one
    const int a = wrapped(i, n), b = wrapped(i + 1, n);
    return ribbon.rival_probability[a] >= kGoesOn && ribbon.rival_probability[b] >= kGoesOn &&
           std::abs(ribbon.rival_mm[a] - ribbon.rival_mm[b]) <= kSame_mm;
  };
  int start = 0;
  while (start < n && next(start - 1)) ++start;
  std::vector<Run> runs;
  if (start == n) return runs;  // all the way round: there is no end to look at
  for (int i = start; i < start + n; ++i) {
    const int first = i;
    bool likely = ribbon.rival_probability[wrapped(i, n)] >= kLikelyRival;
    for (; i + 1 < start + n && next(i); ++i) {
      likely = likely || ribbon.rival_probability[wrapped(i + 1, n)] >= kLikelyRival;
    }
    if (likely) runs.push_back({first, i - first + 1});
  }
  return runs;
}

std::vector<double> steps_of(const PolygonMm& curve, double row_mm) {
  std::vector<double> out(curve.size());
  for (std::size_t i = 0; i < out.size(); ++i) {
    out[i] = step_at(curve, static_cast<int>(i), row_mm);
  }
  return out;
}

// Part of a run between two places where the edge taken may leave the pane's, [first, last];
// whether there is such a place at either end.
struct Stretch {
  int first, last;
  bool parts_before, parts_after;
};

std::vector<Stretch> stretches_of(const Ribbon& ribbon, const std::vector<double>& step_mm,
                                  const Run& run, double row_mm) {
  // Evidence is averaged over 50 mm to either side, so that a run's end is known to that.
  constexpr double kAround_mm = 70;
  const int n = static_cast<int>(step_mm.size()), around = static_cast<int>(kAround_mm / row_mm);
  const int last = run.first + run.count - 1;
  const auto away = [&](int row) {
    return std::abs(ribbon.rival_mm[wrapped(std::clamp(row, run.first, last), n)]);
  };
  const auto parts = [&](int row) { return step_mm[wrapped(row, n)] >= away(row) / 2; };
  const auto any = [&](int from, int to) {
    for (int row = from; row <= to; ++row) {
      if (parts(row)) return true;
    }
    return false;
  };
  // Two edges that run together need no step where they join.
  constexpr double kNear_mm = 6, kNearer_mm = 1.5;  // a rival is 5 mm away at the least
  double mean = 0;
  for (int row = run.first; row <= last; ++row) mean += away(row) / run.count;
  const auto join = [&](int row) { return away(row) <= std::min(kNear_mm, mean - kNearer_mm); };
  std::vector<Stretch> out;
  for (int row = run.first; row <= last; ++row) {
    if (parts(row)) continue;
    const bool opens = out.empty() || out.back().last != row - 1;
    if (opens) {
      out.push_back({row, row, row > run.first || join(row) || any(row - around, row - 1), true});
    }
    out.back().last = row;
    if (row == last) out.back().parts_after = join(row) || any(row + 1, row + around);
  }
  return out;
}

}  // namespace

void weigh_rivals(const PairPath& path, double row_mm, Ribbon& ribbon) {
  // A rival is an edge that runs along for a while, not the best of a row's noise: over 100 mm most
  // of the rows must agree where it is.
  constexpr double kAround_mm = 50, kAgree_mm = 3;
  const auto around = static_cast<int>(kAround_mm / row_mm);
  const int rows = static_cast<int>(path.cell.size());
  ribbon.rival_mm.assign(rows, 0);
  ribbon.rival_behind.assign(rows, 0);
  ribbon.rival_probability.assign(rows, 0);
  std::vector<double> offset(2 * around + 1);
  for (int i = 0; i < rows; ++i) {
    double behind = 0;
    for (int k = -around; k <= around; ++k) {
      const int row = wrapped(i + k, rows);
      offset[k + around] = path.rival[row] - path.cell[row];
      behind += path.sure[row] - path.rival_sure[row];
    }
    behind /= 2 * around + 1;
    const double middle = median(offset);
    for (double& x : offset) x = std::abs(x - middle);
    if (median(offset) > kAgree_mm) continue;
    ribbon.rival_mm[i] = middle;
    ribbon.rival_behind[i] = behind;
    ribbon.rival_probability[i] = rival_probability(behind);
  }
}

void judge_whole_stretches(double row_mm, Ribbon& ribbon) {
  const std::vector<double> step_mm = steps_of(inner_curve(ribbon), row_mm);
  const int n = static_cast<int>(step_mm.size());
  for (const Run& run : runs_of(ribbon)) {
    double likeliest = 0;
    const std::vector<Stretch> stretches = stretches_of(ribbon, step_mm, run, row_mm);
    for (const Stretch& s : stretches) {
      double behind = 0;
      for (int row = s.first; row <= s.last; ++row) {
        behind += ribbon.rival_behind[wrapped(row, n)] / (s.last - s.first + 1);
      }
      const double p = s.parts_before && s.parts_after ? rival_probability(behind) : 0;
      for (int row = s.first; row <= s.last; ++row) ribbon.rival_probability[wrapped(row, n)] = p;
      likeliest = std::max(likeliest, p);
    }
    // The places between them, corners most of them, are no likelier than what they lead to.
    for (int row = run.first; row < run.first + run.count && !stretches.empty(); ++row) {
      double& p = ribbon.rival_probability[wrapped(row, n)];
      p = std::min(p, likeliest);
    }
  }
}

}  // namespace panecard::trace
