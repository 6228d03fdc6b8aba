#include "pattern/parallel.h"

#include <algorithm>
#include <cmath>

#include "pattern/joins.h"
#include "pattern/line.h"
#include "pattern/offset.h"

namespace panecard::pattern {
namespace {

constexpr double kAlike_mm = 1e-9;

/// Neighbouring sides of one distance and the corners between them, from vertex to vertex of the
/// outline.
struct SideRun {
  std::size_t side;  ///< the first
  std::size_t from, to;
  double distance_mm;
};

/// Edges by the side they belong to; those of corners kJoin.
std::vector<int> tags_of_edges(const Pane& pane) {
  const std::size_t n = pane.outline.size();
  std::vector<int> tags(n, kJoin);
  for (std::size_t k = 0; k < pane.division.sides.size(); ++k) {
    const Side& side = pane.division.sides[k];
    std::size_t i = side.first;
    do {
      tags[i] = static_cast<int>(k);
      i = (i + 1) % n;
    } while (i != side.last);
  }
  return tags;
}

std::vector<SideRun> runs_of(const Pane& pane, const std::vector<double>& distance_mm) {
  const std::vector<Side>& sides = pane.division.sides;
  const std::size_t count = sides.size();
  const auto changes_before = [&](std::size_t k) {
    return std::abs(distance_mm[k] - distance_mm[(k + count - 1) % count]) > kAlike_mm;
  };
  std::size_t start = 0;
  while (!changes_before(start)) ++start;
  std::vector<SideRun> runs;
  for (std::size_t j = 0; j < count; ++j) {
    const std::size_t k = (start + j) % count;
    if (j == 0 || changes_before(k)) {
      runs.push_back({k, sides[k].first, sides[k].last, distance_mm[k]});
    }
    runs.back().to = sides[k].last;
  }
  return runs;
}

}  // namespace

TaggedLine raw_parallel(const PolygonMm& line, double distance_mm) {
  const OffsetCurves offset_curves(line);
  std::vector<int> tags(line.size());
  for (std::size_t i = 0; i < tags.size(); ++i) tags[i] = static_cast<int>(2 * i);
  return offset_curves.closed(distance_mm, tags,
                              [](std::size_t edge, int) { return static_cast<int>(2 * edge + 1); });
}

TaggedLine raw_cut(const Pane& given, const std::vector<double>& distance_mm) {
  const auto stays = [](std::size_t, int tag) { return tag; };
  const bool alike = std::all_of(distance_mm.begin(), distance_mm.end(), [&](double d) {
    return std::abs(d - distance_mm.front()) <= kAlike_mm;
  });
  if (alike) {
    const OffsetCurves offset_curves(given.outline);
    return offset_curves.closed(distance_mm.front(), tags_of_edges(given), stays);
  }
  const Pane pane = with_transitions(given, distance_mm);
  const OffsetCurves offset_curves(pane.outline);
  const std::vector<int> tags = tags_of_edges(pane);
  const std::vector<SideRun> runs = runs_of(pane, distance_mm);
  std::vector<TaggedLine> chains;
  chains.reserve(runs.size());
  for (const SideRun& run : runs) {
    chains.push_back(offset_curves.open(run.from, run.to, run.distance_mm, tags, stays));
  }
  std::vector<Join> joins;
  for (std::size_t r = 0; r < runs.size(); ++r) {
    const std::size_t next = (r + 1) % runs.size();
    joins.push_back(join(offset_curves, {runs[r].to, runs[r].distance_mm, chains[r]},
                         {runs[next].from, runs[next].distance_mm, chains[next]}));
  }
  TaggedLine raw;
  for (std::size_t r = 0; r < runs.size(); ++r) {
    append_trimmed(raw, chains[r], joins[(r + runs.size() - 1) % runs.size()], joins[r]);
  }
  return raw;
}

}  // namespace panecard::pattern
