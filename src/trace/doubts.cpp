#include "trace/doubts.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>
#include <utility>

#include "trace/edge.h"
#include "trace/ledges.h"

namespace panecard::trace {
namespace {

// A stretch of a curve as a line, the end that the doubt is at first.
struct Lead {
  PointMm from, towards;  // `towards` has length one and points into the doubt
};

// The line through what a curve does 15 to 75 mm away from a ray: nearer it may be led astray
// already, further a curved side bends away.
std::optional<Lead> lead_to(const PolygonMm& curve, int ray, int way) {
  constexpr double kFrom_mm = 15, kTo_mm = 75;
  double length = 0;
  PolygonMm seen;
  for (int k = 0; k < kRays / 4 && length < kTo_mm; ++k) {
    const PointMm here = curve[wrapped(ray + way * k, kRays)];
    if (length >= kFrom_mm) seen.push_back(here);
    length += distance(here, curve[wrapped(ray + way * (k + 1), kRays)]);
  }
  if (length < kTo_mm || seen.size() < 3) return {};
  const PointMm middle = middle_of(seen);
  double xx = 0, xy = 0, yy = 0;
  for (const PointMm& p : seen) {
    const PointMm off = p - middle;
    xx += off.x * off.x, xy += off.x * off.y, yy += off.y * off.y;
  }
  const double angle = 0.5 * std::atan2(2 * xy, xx - yy);  // of the longer axis
  PointMm towards{std::cos(angle), std::sin(angle)};
  if (dot(towards, seen.front() - seen.back()) < 0) towards = -1.0 * towards;
  return Lead{middle + dot(seen.front() - middle, towards) * towards, towards};
}

// What joins both: straight where they hardly turn, else by way of where they meet.
std::optional<PolygonMm> joined(const Lead& before, const Lead& after, double radius_mm) {
  constexpr double kStraight_rad = 5 * std::numbers::pi / 180,
                   kMost_rad = 150 * std::numbers::pi / 180;  // sharper corners no pane has
  constexpr int kArc = 8;
  const PointMm on = -1.0 * after.towards;  // where the curve goes after the doubt
  const double turn = std::atan2(cross(before.towards, on), dot(before.towards, on));
  const PointMm gap = after.from - before.from;
  if (std::abs(turn) < kStraight_rad) {
    if (dot(gap, before.towards) <= 0) return {};
    return PolygonMm{before.from, after.from};
  }
  if (turn < 0 || turn > kMost_rad) return {};  // panes have no corners that point inwards
  const double whole = cross(before.towards, on);
  const double ahead = cross(gap, on) / whole, back = cross(before.towards, gap) / whole;
  if (ahead <= 0 || back <= 0) return {};
  const PointMm corner = before.from + ahead * before.towards;
  const double tangent = std::min({radius_mm * std::tan(turn / 2), ahead, back});
  const PointMm start = corner - tangent * before.towards;
  const PointMm inwards{-before.towards.y, before.towards.x};
  const double radius = tangent / std::tan(turn / 2);
  const PointMm centre = start + radius * inwards;
  PolygonMm out{before.from};
  for (int k = 0; k <= kArc; ++k) {
    const double t = turn * k / kArc;
    out.push_back(centre + (radius * std::sin(t)) * before.towards -
                  (radius * std::cos(t)) * inwards);
  }
  out.push_back(after.from);
  return out;
}

bool same(const PolygonMm& a, const PolygonMm& b) {
  constexpr double kSame_mm = 1e-6;
  return std::equal(a.begin(), a.end(), b.begin(), b.end(),
                    [](PointMm p, PointMm q) { return distance(p, q) < kSame_mm; });
}

std::optional<PolygonMm> straight_past(const PolygonMm& curve, const Rays& place,
                                       double radius_mm) {
  const int last = place.first + place.count - 1;
  const auto before = lead_to(curve, place.first, -1), after = lead_to(curve, last, 1);
  if (!before || !after) return {};
  auto out = joined(*before, *after, radius_mm);
  if (!out) return {};
  // The rest of the way round, from where the second lead begins to where the first does.
  const auto closest = [&](PointMm p, int from, int way) {
    int best = from;
    for (int k = 0; k < kRays / 4; ++k) {
      const int ray = from + way * k;
      if (distance(curve[wrapped(ray, kRays)], p) < distance(curve[wrapped(best, kRays)], p)) {
        best = ray;
      }
    }
    return best;
  };
  const int from = closest(after->from, last, 1),
            to = closest(before->from, place.first, -1) + kRays;
  for (int ray = from + 1; ray < to; ++ray) out->push_back(curve[wrapped(ray, kRays)]);
  return out;
}

int ray_at(PointMm from_middle) {
  return wrapped(static_cast<int>(std::lround(std::atan2(from_middle.y, from_middle.x) / kTurn)),
                 kRays);
}

void mark(int first, int last, std::vector<bool>& against) {
  const int count = wrapped(last - first, kRays);
  if (count > kRays / 4) return;
  for (int k = 0; k <= count; ++k) against[wrapped(first + k, kRays)] = true;
}

// Below zero over 30 mm.
void mark_weak(PointMm middle, const Around& around, std::vector<bool>& against) {
  constexpr double kStretch_mm = 30;
  const PolygonMm curve = inner_curve(middle, around);
  const auto step = [&](int ray) { return distance(curve[ray % kRays], curve[(ray + 1) % kRays]); };
  double sum = 0, length = 0;
  for (int from = 0, to = 0; from < kRays; ++from) {
    for (; length < kStretch_mm && to < from + kRays; ++to) {
      sum += step(to) * around.sure[to % kRays];
      length += step(to);
    }
    for (int ray = from; sum < 0 && ray < to; ++ray) against[ray % kRays] = true;
    sum -= step(from) * around.sure[from];
    length -= step(from);
  }
}

// Where the curve turns back: its strip's normals crossed there.
void mark_folds(PointMm middle, const PolygonMm& curve, std::vector<bool>& against) {
  constexpr double kBack_mm = 2;  // less is noise
  const std::size_t n = curve.size();
  double turn = 0, furthest = 0;
  for (std::size_t i = 0; i <= n; ++i) {
    const PointMm a = curve[i % n] - middle, b = curve[(i + 1) % n] - middle;
    turn += std::atan2(cross(a, b), dot(a, b));
    furthest = std::max(furthest, turn);
    if ((furthest - turn) * norm(b) < kBack_mm) continue;
    const int back = static_cast<int>(std::lround((furthest - turn) / kTurn));
    mark(ray_at(b), ray_at(b) + std::min(back, kRays / 4), against);
  }
}

constexpr double kDeep_mm = 6;  // a notch or a ledge: less is a ribbon's own roughness

// Where the curve lies well inside its convex hull, as few panes do and what a reflection cuts off
// does.
void mark_notches(PointMm middle, const PolygonMm& curve, std::vector<bool>& against) {
  const PolygonMm hull = convex_hull(curve);
  const std::size_t n = curve.size();
  const auto deep = [&](PointMm p) { return distance_to_closed(p, hull) > kDeep_mm; };
  for (std::size_t i = 0; i < n; ++i) {
    if (deep(curve[i]))
      mark(ray_at(curve[i] - middle), ray_at(curve[(i + 1) % n] - middle), against);
  }
}

// Shallower ones are looked at when the edge is placed, which steps less than a ribbon's cells do.
std::vector<Ledge> deep_ledges_of(const PolygonMm& fine) {
  std::vector<Ledge> ledges = ledges_of(fine, kEdgeRow_mm);
  std::erase_if(ledges, [](const Ledge& l) { return std::max(l.first_mm, l.last_mm) < kDeep_mm; });
  return ledges;
}

void mark_ledges(PointMm middle, const PolygonMm& curve, std::vector<bool>& against) {
  const PolygonMm fine = resample(curve, kEdgeRow_mm);
  const int n = static_cast<int>(fine.size());
  for (const Ledge& ledge : deep_ledges_of(fine)) {
    for (int k = 0; k < ledge.count; ++k) {
      const int i = ledge.first + k;
      mark(ray_at(fine[wrapped(i, n)] - middle), ray_at(fine[wrapped(i + 1, n)] - middle), against);
    }
  }
}

}  // namespace

std::vector<Rays> spoken_against(PointMm middle, const Ribbon& ribbon) {
  std::vector<bool> against(kRays, false);
  mark_weak(middle, seen_from(middle, ribbon), against);
  mark_folds(middle, inner_curve(ribbon), against);
  mark_notches(middle, inner_curve(ribbon), against);
  mark_ledges(middle, inner_curve(ribbon), against);
  std::vector<Rays> out;
  const auto clear = std::find(against.begin(), against.end(), false);
  if (clear == against.end()) return {{0, kRays}};
  const int start = static_cast<int>(clear - against.begin());
  for (int ray = start; ray < start + kRays; ++ray) {
    if (!against[ray % kRays]) continue;
    if (out.empty() || !against[(ray - 1) % kRays]) out.push_back({ray % kRays, 0});
    ++out.back().count;
  }
  return out;
}

std::vector<Rays> parts_in_doubt(const std::vector<Rays>& places) {
  std::vector<Rays> parts;
  constexpr std::size_t kMost = 6;
  if (places.size() < 2 || places.size() > kMost) {
    for (int part = 0; part < 6; ++part) parts.push_back({part * kRays / 6, kRays * 5 / 12});
    return parts;
  }
  for (std::size_t i = 0; i < places.size(); ++i) {
    const Rays &from = places[i], &to = places[(i + 1) % places.size()];
    const int between = wrapped(to.first - from.first, kRays);
    parts.push_back({from.first, std::min(between + to.count, kRays)});
  }
  return parts;
}

std::vector<PolygonMm> straight_on(PointMm middle, const Around& around,
                                   const std::vector<Rays>& places) {
  // Corners of panes have 10 to 80 mm (common practice); what lies between is near one of these.
  constexpr std::array kRadii_mm{20.0, 60.0};
  constexpr std::size_t kMost = 4;  // with more of them little is left that leads anywhere
  std::vector<PolygonMm> out;
  if (places.size() > kMost) return out;
  const PolygonMm curve = inner_curve(middle, around);
  const PolygonMm fine = resample(curve, kEdgeRow_mm);
  for (const Ledge& ledge : deep_ledges_of(fine)) out.push_back(levelled(fine, ledge));
  const auto past = [&](const Rays& place) {
    if (place.count >= kRays / 2) return;
    const std::size_t first = out.size();
    for (const double radius : kRadii_mm) {
      auto way = straight_past(curve, place, radius);
      if (!way) continue;
      // Straight across, or between leads too short for either radius, both are the same.
      if (out.size() > first && same(out.back(), *way)) continue;
      out.push_back(std::move(*way));
    }
  };
  for (std::size_t i = 0; i < places.size(); ++i) {
    past(places[i]);
    if (places.size() < 2) break;
    const Rays &from = places[i], &to = places[(i + 1) % places.size()];
    past({from.first, wrapped(to.first - from.first, kRays) + to.count});
  }
  return out;
}

}  // namespace panecard::trace
