#include "trace/edge.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <utility>

#include "trace/edge_bridge.h"
#include "trace/edge_fit.h"
#include "trace/edge_samples.h"

namespace panecard::trace {
namespace {

// Offset of another closed curve from each point of this one, along this one's normals; both run
// alongside each other, so that only the neighbourhood of the same share of the way is searched.
std::vector<double> offsets_to(const PolygonMm& curve, const PolygonMm& normals,
                               const PolygonMm& other) {
  const int n = static_cast<int>(curve.size()), m = static_cast<int>(other.size());
  int first = 0;
  for (int j = 1; j < m; ++j) {
    if (distance(other[j], curve[0]) < distance(other[first], curve[0])) first = j;
  }
  const int reach = std::max(20, m / 20);
  std::vector<double> out(n, std::nan(""));
  cv::parallel_for_({0, n}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const int middle = first + static_cast<int>(static_cast<double>(i) * m / n);
      int at = wrapped(middle - reach, m);
      PointMm a = other[at] - curve[i];
      double ca = cross(normals[i], a);
      for (int k = -reach; k <= reach; ++k) {
        at = at + 1 < m ? at + 1 : 0;
        const PointMm b = other[at] - curve[i];
        const double cb = cross(normals[i], b);
        if ((ca > 0) != (cb > 0)) {
          const double along = dot(normals[i], a + ca / (ca - cb) * (b - a));
          if (std::isnan(out[i]) || std::abs(along) < std::abs(out[i])) out[i] = along;
        }
        a = b, ca = cb;
      }
    }
  });
  return out;
}

// Light fades towards the line where a seal meets the glass. Where the photo keeps nothing of the
// last of it, the edge seen lies too far out and is sharper than it ought to be; but the seal then
// looks narrower there than where its edge is sharp, and the contact may be as much further in.
// What is softer than blur for other reasons keeps the width it has elsewhere. Only where some of
// the softness is left: a sharp edge says itself where it is.
void measure_narrowness(const Strip& strip, const std::vector<double>& outer_mm, Edge& edge) {
  constexpr int kAround_rows = 20;  // the ribbon knows widths to whole millimetres
  constexpr double kShare = 0.25;   // of the way with a sharp edge, to say what the width is
  const int n = static_cast<int>(edge.points.size());
  edge.narrower_mm.assign(n, 0);
  std::vector<double> width(n, std::nan("")), sharp;
  for (int i = 0; i < n; ++i) {
    if (!edge.seen[i] || std::isnan(outer_mm[i])) continue;
    width[i] = outer_mm[i] - dot(strip.normals[i], edge.points[i] - strip.curve[i]);
    if (edge.shading_mm[i] == 0) sharp.push_back(width[i]);
  }
  if (static_cast<double>(sharp.size()) < kShare * n) return;
  const double usual = median(std::move(sharp));
  cv::parallel_for_({0, n}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      if (edge.shading_mm[i] == 0) continue;
      std::vector<double> near;
      for (int k = -kAround_rows; k <= kAround_rows; ++k) {
        const double w = width[wrapped(i + k, n)];
        if (!std::isnan(w)) near.push_back(w);
      }
      if (near.empty()) continue;
      edge.narrower_mm[i] = std::max(0.0, usual - median(std::move(near)));
    }
  });
}

}  // namespace

Edge place_edge(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
                const Ribbon& ribbon) {
  PolygonMm curve = resample(smooth_closed(resample(inner_curve(ribbon), 1.0), 3.0), kEdgeRow_mm);
  PolygonMm outer = resample(smooth_closed(resample(outer_curve(ribbon), 1.0), 4.0), kEdgeRow_mm);
  const std::vector<bool> outer_seen = settled_outer(ribbon, static_cast<int>(outer.size()));
  straighten_unseen(outer_seen, outer);
  Edge edge;
  // The second round starts from a curve good to a tenth of a millimetre and is not led by the
  // first one's grid.
  for (int round = 0; round < 2; ++round) {
    const Strip strip = unwrap(photo, sight, cards, curve, kEdgeHalf_mm, kEdgeColumn_mm);
    const Blur blur(1 / sight.px_per_mm(strip.curve.front()));
    const Samples samples = samples_of(strip, blur);
    edge.shading_mm = shading(samples, blur.all_mm);
    const std::vector<double> outer_mm = offsets_to(strip.curve, strip.normals, outer);
    const double scale = robust_scale(samples);
    const int n = static_cast<int>(strip.curve.size());
    edge.points.resize(n);
    edge.sigma_mm.assign(n, 0);
    edge.seen = samples.seen;
    const LocalFit fine(6), wide(LocalFit::kMostReach);
    cv::parallel_for_({0, n}, [&](const cv::Range& range) {
      for (int i = range.start; i < range.end; ++i) {
        const Smoothed fit = fine(samples, i, scale);
        edge.points[i] = strip.curve[i] + fit.value * strip.normals[i];
        // Rows share blurred pixels: about 2 sqrt(pi) sigma of them count as one.
        const double independent =
            std::max(1.0, fit.span * kEdgeRow_mm / (3.5 * samples.along_mm[i]));
        edge.sigma_mm[i] = std::max(scale, wide(samples, i, scale).spread) / std::sqrt(independent);
      }
    });
    edge.normals = strip.normals;
    for (const Run& run : unseen_runs(edge.seen)) {
      if (run.length >= n / 2) continue;
      if (run.length > kShortRun) {
        bridge_gap(run, strip, outer_mm, outer_seen, edge);
      } else {
        for (int k = 0; k < run.length; ++k) edge.seen[(run.first + k) % n] = true;
      }
    }
    if (round == 0) {
      curve = resample(smooth_closed(edge.points, 1.5), kEdgeRow_mm);
    } else {
      measure_narrowness(strip, outer_mm, edge);
    }
  }
  const int n = static_cast<int>(edge.points.size());
  const int m = static_cast<int>(ribbon.outer_seen.size());
  edge.lost.resize(n);
  for (int i = 0; i < n; ++i) {
    edge.lost[i] = !edge.seen[i] && !ribbon.outer_seen[static_cast<std::size_t>(i) * m / n];
  }
  return edge;
}

}  // namespace panecard::trace
