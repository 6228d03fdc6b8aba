#include "pattern/clean.h"

#include <algorithm>
#include <clipper.hpp>
#include <cmath>
#include <cstdint>
#include <unordered_map>

#include "pattern/line.h"

namespace panecard::pattern {
namespace {

using ClipperLib::IntPoint;

constexpr double kPerMm = 1e5;  // 20 m then stay below 2^30 from the middle, Clipper's fast range

struct Hash {
  std::size_t operator()(const IntPoint& p) const {
    const auto x = static_cast<std::uint64_t>(p.X), y = static_cast<std::uint64_t>(p.Y);
    return static_cast<std::size_t>((x * 0x9E3779B97F4A7C15ULL) ^ (y * 0xC2B2AE3D27D4EB4FULL));
  }
};

/// Maps mm to Clipper's integer grid, centred on the raw curve.
class Grid {
 public:
  explicit Grid(const PolygonMm& points) {
    const Extent e = extent_of(points);
    middle_ = {std::round((e.low.x + e.high.x) / 2), std::round((e.low.y + e.high.y) / 2)};
  }
  IntPoint to(PointMm p) const {
    const PointMm q = kPerMm * (p - middle_);
    return {std::llround(q.x), std::llround(q.y)};
  }
  PointMm from(const IntPoint& p) const {
    return middle_ + PointMm{static_cast<double>(p.X) / kPerMm, static_cast<double>(p.Y) / kPerMm};
  }

 private:
  PointMm middle_;
};

using Where = std::unordered_map<IntPoint, std::size_t, Hash>;

/// The raw edge that contains an edge of the result whose ends are both intersections.
std::size_t edge_under(const TaggedLine& raw, PointMm a, PointMm b) {
  const PointMm middle = 0.5 * (a + b);
  const std::size_t n = raw.points.size();
  std::size_t best = 0;
  double nearest = 1e300;
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm p = raw.points[i], q = raw.points[(i + 1) % n];
    if (dot(q - p, b - a) <= 0) continue;
    const double d = distance_to_segment(middle, p, q);
    if (d < nearest) {
      nearest = d;
      best = i;
    }
  }
  return best;
}

bool lies_on(const TaggedLine& raw, std::size_t edge, PointMm a, PointMm b) {
  constexpr double kOn_mm = 1e-4;
  const PointMm p = raw.points[edge], q = raw.points[(edge + 1) % raw.points.size()];
  return dot(q - p, b - a) > 0 && distance_to_segment(0.5 * (a + b), p, q) <= kOn_mm;
}

TaggedLine tagged(const ClipperLib::Path& path, const Grid& grid, const TaggedLine& raw,
                  const Where& where) {
  const std::size_t n = path.size(), raws = raw.points.size();
  TaggedLine out;
  out.points.reserve(n);
  out.tag.reserve(n);
  for (std::size_t i = 0; i < n; ++i) {
    const IntPoint& b = path[(i + 1) % n];
    const PointMm p = grid.from(path[i]), q = grid.from(b);
    const auto from = where.find(path[i]), to = where.find(b);
    std::size_t edge = raws;
    if (from != where.end() && lies_on(raw, from->second, p, q)) edge = from->second;
    if (edge == raws && to != where.end()) {
      const std::size_t arriving = (to->second + raws - 1) % raws;
      if (lies_on(raw, arriving, p, q)) edge = arriving;
    }
    if (edge == raws) edge = edge_under(raw, p, q);
    out.add(p, raw.tag[edge]);
  }
  return out;
}

}  // namespace

Cleaned positive_part(const TaggedLine& raw) {
  Cleaned out;
  if (raw.points.size() < 3) return out;
  const Grid grid(raw.points);
  ClipperLib::Path path;
  path.reserve(raw.points.size());
  Where where;
  where.reserve(2 * raw.points.size());
  for (std::size_t i = 0; i < raw.points.size(); ++i) {
    path.push_back(grid.to(raw.points[i]));
    where[path.back()] = i;
  }
  ClipperLib::Clipper clipper;
  clipper.AddPath(path, ClipperLib::ptSubject, true);
  ClipperLib::Paths solution;
  clipper.Execute(ClipperLib::ctUnion, solution, ClipperLib::pftPositive, ClipperLib::pftPositive);
  std::vector<std::pair<double, std::size_t>> by_area;
  for (std::size_t i = 0; i < solution.size(); ++i) {
    const double area = ClipperLib::Area(solution[i]) / (kPerMm * kPerMm);
    if (area > 0) by_area.push_back({-area, i});
    out.hole_area_mm2 = std::max(out.hole_area_mm2, -area);
  }
  std::sort(by_area.begin(), by_area.end());
  for (const auto& [area, i] : by_area) {
    out.outers.push_back(tagged(solution[i], grid, raw, where));
  }
  return out;
}

void tidy(TaggedLine& line) {
  constexpr double kSame_mm = 1e-3, kStraight_mm = 1e-4, kSpike_mm2 = 0.01;
  constexpr double kSpikeCosine = -0.9962;  // of 175 degrees
  const auto needless = [&](const TaggedLine& done, std::size_t i, std::size_t next) {
    const PointMm a = done.points.back(), p = line.points[i], b = line.points[next];
    if (distance(a, p) <= kSame_mm) return true;
    const PointMm in = p - a, on = b - p;
    const double doubled = std::abs(cross(in, on)), cosine = dot(in, on) / (norm(in) * norm(on));
    if (cosine < kSpikeCosine && doubled < 2 * kSpike_mm2) return true;
    return done.tag.back() == line.tag[i] && cosine > 0 && doubled <= kStraight_mm * norm(b - a);
  };
  for (bool changed = true; changed && line.points.size() > 3;) {
    TaggedLine done;
    const std::size_t n = line.points.size();
    done.points.reserve(n);
    done.tag.reserve(n);
    done.add(line.points[0], line.tag[0]);
    for (std::size_t i = 1; i < n; ++i) {
      if (needless(done, i, (i + 1) % n)) {
        if (distance(done.points.back(), line.points[i]) <= kSame_mm) done.tag.back() = line.tag[i];
        continue;
      }
      done.add(line.points[i], line.tag[i]);
    }
    if (done.points.size() > 2 && needless(done, 0, 1)) {
      if (distance(done.points.back(), done.points.front()) <= kSame_mm) {
        done.tag.back() = done.tag.front();
      }
      done.points.erase(done.points.begin());
      done.tag.erase(done.tag.begin());
    }
    changed = done.points.size() < n;
    line = std::move(done);
  }
}

}  // namespace panecard::pattern
