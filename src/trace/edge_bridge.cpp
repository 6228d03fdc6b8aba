#include "trace/edge_bridge.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <optional>

#include "trace/edge_samples.h"

namespace panecard::trace {
namespace {

double mean_width(const std::vector<double>& width, const std::vector<bool>& seen, int row,
                  int step) {
  const int n = static_cast<int>(width.size());
  constexpr int kLook = 12;
  double sum = 0;
  int count = 0;
  for (int k = 0; k < kLook; ++k) {
    const int i = wrapped(row + step * k, n);
    if (!seen[i] || std::isnan(width[i])) continue;
    sum += width[i];
    ++count;
  }
  return count > 0 ? sum / count : std::nan("");
}

// Middles of parts of a curve that follow each other, from a row on one way; empty where not all of
// that is seen.
PolygonMm middles_of(const PolygonMm& curve, const std::vector<bool>& seen, int row, int way,
                     int parts, double part_mm) {
  const int n = static_cast<int>(curve.size()), rows = static_cast<int>(part_mm / kEdgeRow_mm);
  PolygonMm out(parts);
  for (int k = 0; k < parts * rows; ++k) {
    const int i = wrapped(row + way * k, n);
    if (!seen[i]) return {};
    out[k / rows] = out[k / rows] + 1.0 / rows * curve[i];
  }
  return out;
}

PointMm unit(PointMm v) { return 1 / std::max(norm(v), 1e-9) * v; }

// Where a curve heads at a row that a seen stretch ends at, nearly towards a direction: by what it
// does 0 to 90 mm before (way -1) or after (way 1), its bend included, or 0 to 40 mm where a corner
// or what is unseen is nearer than that.
std::optional<PointMm> heading_at(const PolygonMm& curve, const std::vector<bool>& seen, int row,
                                  int way, PointMm across) {
  constexpr double kNearly = 0.985;  // the cosine of 10 degrees
  const PolygonMm bent = middles_of(curve, seen, row, way, 3, 30),
                  straight = middles_of(curve, seen, row, way, 2, 20);
  // The chords head as the curve does 30 and 60 mm away.
  if (!bent.empty()) {
    const PointMm heading = unit(2 * unit(bent[0] - bent[1]) - unit(bent[1] - bent[2]));
    if (dot(heading, across) >= kNearly) return heading;
  }
  if (straight.empty()) return {};
  const PointMm heading = unit(straight[0] - straight[1]);
  if (dot(heading, across) >= kNearly) return heading;
  return {};
}

}  // namespace

std::vector<Run> unseen_runs(const std::vector<bool>& seen) {
  const int n = static_cast<int>(seen.size());
  const auto start = std::find(seen.begin(), seen.end(), true);
  if (start == seen.end()) return {{0, n}};
  const int s0 = static_cast<int>(start - seen.begin());
  std::vector<Run> runs;
  for (int k = 0; k < n; ++k) {
    const int i = (s0 + k) % n;
    if (seen[i]) continue;
    if (!runs.empty() && (runs.back().first + runs.back().length) % n == i && k > 0) {
      ++runs.back().length;
    } else {
      runs.push_back({i, 1});
    }
  }
  return runs;
}

std::vector<bool> settled_outer(const Ribbon& ribbon, int n) {
  constexpr int kAround = static_cast<int>(15 / kEdgeRow_mm);
  const int m = static_cast<int>(ribbon.outer_seen.size());
  std::vector<bool> out(n);
  int count = 0;
  const auto seen = [&](int i) {
    return ribbon.outer_seen[static_cast<std::size_t>(wrapped(i, n)) * m / n] ? 1 : 0;
  };
  for (int k = -kAround; k <= kAround; ++k) count += seen(k);
  for (int i = 0; i < n; ++i) {
    out[i] = 2 * count > 2 * kAround + 1;
    count += seen(i + kAround + 1) - seen(i - kAround);
  }
  return out;
}

void straighten_unseen(const std::vector<bool>& seen, PolygonMm& curve) {
  const int n = static_cast<int>(curve.size());
  const PolygonMm before = curve;
  for (const Run& run : unseen_runs(seen)) {
    if (run.length <= kShortRun || run.length >= n / 3) continue;
    const int first = wrapped(run.first - 1, n), last = wrapped(run.first + run.length, n);
    const PointMm p = before[first], q = before[last], across = unit(q - p);
    const double length = distance(p, q);
    const auto leave = heading_at(before, seen, first, -1, across),
               back = heading_at(before, seen, last, 1, -1.0 * across);
    if (!leave || !back) continue;
    const PointMm arrive = -1.0 * *back;
    for (int k = 0; k < run.length; ++k) {
      const double t = (k + 1.0) / (run.length + 1), u = 1 - t;
      curve[wrapped(run.first + k, n)] = u * u * (1 + 2 * t) * p + t * t * (1 + 2 * u) * q +
                                         (u * u * t * length) * *leave -
                                         (t * t * u * length) * arrive;
    }
  }
}

void bridge_gap(const Run& run, const Strip& strip, const std::vector<double>& outer_mm,
                const std::vector<bool>& outer_seen, Edge& edge) {
  const int n = static_cast<int>(edge.points.size());
  if (n == 0 || run.length >= n) return;
  std::vector<double> width(n, std::nan(""));
  for (int i = 0; i < n; ++i) {
    if (edge.seen[i])
      width[i] = outer_mm[i] - dot(strip.normals[i], edge.points[i] - strip.curve[i]);
  }
  const double before = mean_width(width, edge.seen, run.first - 1, -1);
  const double after = mean_width(width, edge.seen, run.first + run.length, 1);
  if (std::isnan(before) || std::isnan(after)) return;
  for (int k = 0; k < run.length; ++k) {
    const int i = (run.first + k) % n;
    const double t = (k + 1.0) / (run.length + 1.0);
    // A seal's apparent width changes by some millimetre between one side of a pane and the next;
    // over a shorter gap by as much less.
    const double away = 4 * t * (1 - t) * std::min(1.0, run.length * kEdgeRow_mm / 200);
    // What joins them is off in its middle by an eighth of its length times what its two ends may
    // head amiss together: noise, and some 20 mm of bend.
    constexpr double kAmiss_rad = 0.015;
    const bool joined = !outer_seen[static_cast<std::size_t>(i) * outer_seen.size() / n];
    const double joint = joined ? kAmiss_rad / 8 * run.length * kEdgeRow_mm * 4 * t * (1 - t) : 0;
    edge.sigma_mm[i] =
        std::hypot(std::hypot(0.3, joint), std::hypot(0.7 * away, 0.25 * (after - before)));
    if (!std::isnan(outer_mm[i])) {
      edge.points[i] =
          strip.curve[i] + (outer_mm[i] - (1 - t) * before - t * after) * strip.normals[i];
    }
  }
}

}  // namespace panecard::trace
