#include "pattern/corners.h"

#include <algorithm>
#include <cmath>

#include "pattern/clean.h"
#include "pattern/line.h"

namespace panecard::pattern {
namespace {

/// For every point the corner of the pane that it belongs to: the one behind side k is k. kJoin
/// inside a side, and where one is interrupted.
std::vector<int> corners_of_points(const TaggedLine& line) {
  const std::size_t n = line.points.size();
  std::vector<int> out(n, kJoin);
  const auto tag = [&](std::size_t i) { return line.tag[i % n]; };
  for (std::size_t start = 0; start < n; ++start) {
    if (tag(start) == kJoin || tag(start) == tag(start + 1)) continue;
    std::size_t end = start + 1;  // the first point that another side leaves from
    while (end < start + n && tag(end) == kJoin) ++end;
    if (tag(end) == tag(start)) continue;
    for (std::size_t i = start + 1; i <= end; ++i) out[i % n] = tag(start);
  }
  return out;
}

/// An arc in the place of the points behind edge `from` up to the start of edge `to`.
struct Arc {
  std::size_t from, to;
  PointMm centre, start, end;
};

/// Where a disc of the radius, rolling along the line's inside (or outside), touches it twice.
std::vector<Arc> two_contacts(const TaggedLine& line, const TaggedLine& inner, double distance_mm) {
  const std::size_t n = line.points.size(), m = inner.points.size();
  const auto foot = [&](int tag, PointMm centre) {
    const auto e = static_cast<std::size_t>(tag) / 2;
    const PointMm a = line.points[e], b = line.points[(e + 1) % n];
    return tag % 2 != 0 ? b : centre - distance_mm * outward(unit(b - a));
  };
  std::vector<Arc> arcs;
  for (std::size_t i = 0; i < m; ++i) {
    const int in = inner.tag[(i + m - 1) % m], on = inner.tag[i];
    const auto before = static_cast<std::size_t>(in) / 2, after = static_cast<std::size_t>(on) / 2;
    const std::size_t from = in % 2 != 0 ? (before + 1) % n : before;
    if (from == after || before == after) continue;
    arcs.push_back(
        {from, after, inner.points[i], foot(in, inner.points[i]), foot(on, inner.points[i])});
  }
  return arcs;
}

double radius_wanted(const Arc& arc, const std::vector<int>& corner_of, const Radii& radii) {
  const std::size_t n = corner_of.size();
  double wanted = 0;
  bool named = false;
  for (std::size_t i = arc.from; i != arc.to;) {
    i = (i + 1) % n;
    if (corner_of[i] == kJoin) continue;
    wanted = std::max(wanted, radii.of_corner_mm[static_cast<std::size_t>(corner_of[i])]);
    named = true;
  }
  return named ? wanted : radii.elsewhere_mm;
}

bool is_visible(const TaggedLine& line, const Arc& arc, double radius) {
  constexpr double kNoticed_mm = 0.02;
  const std::size_t n = line.points.size();
  double most = 0;
  for (std::size_t i = arc.from; i != arc.to;) {
    i = (i + 1) % n;
    most = std::max(most, distance(line.points[i], arc.centre));
  }
  return most - radius > kNoticed_mm;
}

TaggedLine with_arcs(const TaggedLine& line, std::vector<Arc> arcs) {
  const std::size_t n = line.points.size();
  std::sort(arcs.begin(), arcs.end(), [](const Arc& a, const Arc& b) { return a.from < b.from; });
  std::vector<bool> dropped(n, false);
  for (const Arc& arc : arcs) {
    for (std::size_t i = arc.from; i != arc.to;) dropped[i = (i + 1) % n] = true;
  }
  TaggedLine out;
  std::size_t next = 0;
  for (std::size_t i = 0; i < n; ++i) {
    if (!dropped[i]) out.add(line.points[i], line.tag[i]);
    for (; next < arcs.size() && arcs[next].from == i; ++next) {
      const Arc& arc = arcs[next];
      const PointMm arm = arc.start - arc.centre;
      const double sweep = turn_between(arm, arc.end - arc.centre);
      const int steps = arc_steps(norm(arm), sweep, kChord_mm);
      for (int k = 0; k <= steps; ++k) {
        out.add(arc.centre + turned(arm, sweep * k / steps), k < steps ? kJoin : line.tag[arc.to]);
      }
    }
  }
  return out;
}

std::size_t pieces(const Cleaned& cleaned) {
  return static_cast<std::size_t>(
      std::count_if(cleaned.outers.begin(), cleaned.outers.end(),
                    [](const TaggedLine& t) { return signed_area_mm2(t.points) > 1e-2; }));
}

Error too_round(const TaggedLine& line, double radius) {
  constexpr int kHalvings = 16;
  double low = 0, high = radius;
  for (int i = 0; i < kHalvings; ++i) {
    const double tried = (low + high) / 2;
    (pieces(positive_part(raw_parallel(line.points, -tried))) == 1 ? low : high) = tried;
  }
  return {Code::bad_usage, "a corner radius of " + to_text(radius, 2) +
                               " mm does not fit into the piece; up to " +
                               to_text(std::floor(low * 10) / 10, 1) + " mm is possible"};
}

/// One radius, from inside or from outside.
Result<TaggedLine> rounded_once(TaggedLine line, const Radii& radii, double radius,
                                bool from_inside) {
  const double moved = from_inside ? -radius : radius;
  const Cleaned cleaned = positive_part(raw_parallel(line.points, moved));
  if (pieces(cleaned) != 1) return too_round(line, radius);
  const std::vector<int> corner_of = corners_of_points(line);
  std::vector<Arc> wanted;
  for (const Arc& arc : two_contacts(line, cleaned.outers.front(), moved)) {
    if (radius_wanted(arc, corner_of, radii) == radius && is_visible(line, arc, radius)) {
      wanted.push_back(arc);
    }
  }
  if (!wanted.empty()) {
    line = with_arcs(line, std::move(wanted));
    tidy(line);
  }
  return line;
}

}  // namespace

Result<TaggedLine> rounded(const TaggedLine& line, const Radii& radii) {
  std::vector<double> all = radii.of_corner_mm;
  all.push_back(radii.elsewhere_mm);
  std::sort(all.begin(), all.end());
  all.erase(std::unique(all.begin(), all.end()), all.end());
  TaggedLine out = line;
  tidy(out);
  for (const double radius : all) {
    if (!(radius > 0)) continue;
    for (const bool from_inside : {true, false}) {
      auto next = rounded_once(std::move(out), radii, radius, from_inside);
      if (!next.ok()) return next.error();
      out = std::move(next).value();
    }
  }
  return out;
}

namespace {

/// Walks along the line, back or on, until the length is used up.
struct Walk {
  std::size_t vertex;  ///< the last one passed
  PointMm at;
};
std::optional<Walk> walk(const TaggedLine& line, std::size_t from, double length, bool back,
                         int tag) {
  const std::size_t n = line.points.size();
  for (std::size_t i = from;;) {
    const std::size_t next = back ? (i + n - 1) % n : (i + 1) % n;
    if (line.tag[back ? next : i] != tag) return std::nullopt;
    const double step = distance(line.points[i], line.points[next]);
    if (step > length) {
      return Walk{i, line.points[i] + (length / step) * (line.points[next] - line.points[i])};
    }
    length -= step;
    i = next;
    if (i == from) return std::nullopt;
  }
}

Result<TaggedLine> relieved_once(const TaggedLine& line, std::size_t corner,
                                 const std::string& name, double mm) {
  const auto refusal = [&](const std::string& why) {
    return Error{Code::bad_usage,
                 "a relief of " + to_text(mm, 2) + " mm at '" + name + "': " + why};
  };
  constexpr double kLeastSine = 0.05;
  const std::size_t n = line.points.size();
  const std::vector<int> corner_of = corners_of_points(line);
  std::size_t i = 0;
  const auto mine = [&](std::size_t k) { return corner_of[k % n] == static_cast<int>(corner); };
  while (i < n && !(mine(i) && !mine(i + n - 1))) ++i;
  if (i == n) return refusal("the cut line has no such corner");
  std::size_t j = i;
  while (mine(j + 1)) j = (j + 1) % n;
  // Along the sides, not along the corner's round: their directions are those of the cut's ends.
  double back = mm, on = mm;
  std::optional<Walk> a, b;
  for (int round = 0; round < 3; ++round) {
    a = walk(line, i, back, true, line.tag[(i + n - 1) % n]);
    b = walk(line, j, on, false, line.tag[j]);
    if (!a || !b) return refusal("the side is too short");
    const PointMm t1 = unit(line.points[a->vertex] - line.points[(a->vertex + n - 1) % n]);
    const PointMm t2 = unit(line.points[(b->vertex + 1) % n] - line.points[b->vertex]);
    const double sine = cross(t1, t2);
    if (!(sine > kLeastSine)) return refusal("there the line does not turn outwards");
    back += mm - cross(b->at - a->at, t2) / sine;
    on += mm - cross(t1, b->at - a->at) / sine;
    if (back < 0 || on < 0) return refusal("the corner is rounder than that");
  }
  TaggedLine out;
  out.add(a->at, kJoin);
  const std::size_t stop = a->vertex;
  out.add(b->at, line.tag[b->vertex]);
  for (std::size_t k = (b->vertex + 1) % n; k != stop; k = (k + 1) % n) {
    out.add(line.points[k], line.tag[k]);
  }
  return out;
}

}  // namespace

Result<TaggedLine> relieved(const TaggedLine& line, const std::vector<Side>& corners,
                            const std::vector<double>& mm) {
  TaggedLine out = line;
  for (std::size_t k = 0; k < mm.size(); ++k) {
    if (!(mm[k] > 0)) continue;
    auto next = relieved_once(out, k, corners[k].name, mm[k]);
    if (!next.ok()) return next.error();
    out = std::move(next).value();
  }
  return out;
}

}  // namespace panecard::pattern
