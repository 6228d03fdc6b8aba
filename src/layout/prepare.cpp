#include "layout/prepare.h"

#include <algorithm>
#include <clipper.hpp>
#include <cmath>
#include <limits>
#include <optional>

#include "layout/search.h"

namespace panecard::layout {
namespace {

namespace cl = ClipperLib;

constexpr double kMost_mm = 1e6;
constexpr int kMostCopies = 2000;
constexpr std::size_t kMostPoints = 200000;

Error bad(const std::string& detail) { return {Code::bad_usage, detail}; }

std::optional<Error> invalid(const Strip& s) {
  for (const double mm : {s.width_mm, s.gap_mm, s.edge_mm}) {
    if (!std::isfinite(mm) || mm < 0 || mm > kMost_mm) {
      return bad("the film's width, gap and free edge must lie between 0 and 1 km");
    }
  }
  if (s.width_mm - 2 * s.edge_mm <= 0) {
    return bad("film " + to_text(s.width_mm, 1) + " mm wide with " + to_text(s.edge_mm, 1) +
               " mm free at both edges leaves nothing");
  }
  return std::nullopt;
}

std::optional<Error> invalid(const Item& item) {
  const std::string name = "'" + item.name + "'";
  if (item.copies < 0 || item.copies > kMostCopies) {
    return bad(name + ": from 0 to " + std::to_string(kMostCopies) + " copies");
  }
  if (item.turns_deg.empty()) return bad(name + ": no allowed turn");
  for (const double turn : item.turns_deg) {
    if (!std::isfinite(turn)) return bad(name + ": a turn is no number");
  }
  if (item.shape.size() < 3 || item.shape.size() > kMostPoints) {
    return Error{Code::degenerate_shape, name + " has " + std::to_string(item.shape.size()) +
                                             " points; from 3 to 200000 make a piece"};
  }
  for (const PointMm p : item.shape) {
    if (!(std::abs(p.x) <= kMost_mm && std::abs(p.y) <= kMost_mm)) {
      return Error{Code::degenerate_shape, name + " has a point beyond 1 km"};
    }
  }
  if (signed_area_mm2(item.shape) <= 0 || self_intersects(item.shape)) {
    return Error{Code::degenerate_shape,
                 name + " crosses itself or runs clockwise; measure or draw it again"};
  }
  return std::nullopt;
}

PolygonMm offset_outwards(const PolygonMm& polygon, double by_mm) {
  if (by_mm <= 0) return polygon;
  constexpr double kStep_mm = 1e-4;
  cl::Path path;
  for (const PointMm p : polygon) {
    path.emplace_back(std::llround(p.x / kStep_mm), std::llround(p.y / kStep_mm));
  }
  // An arc's chords lie inside it, and as Clipper rounds the number of steps by up to 2.25 times
  // the tolerance: so much is added.
  constexpr double kShort = 2.25;
  const double tolerance = std::max(0.01 * by_mm, 2 * kStep_mm);
  cl::ClipperOffset offset(2, tolerance / kStep_mm);
  offset.AddPath(path, cl::jtRound, cl::etClosedPolygon);
  cl::Paths out;
  offset.Execute(out, (by_mm + kShort * tolerance + kStep_mm) / kStep_mm);
  PolygonMm best;
  for (const cl::Path& loop : out) {
    PolygonMm points;
    for (const cl::IntPoint p : loop) {
      points.push_back({static_cast<double>(p.X) * kStep_mm, static_cast<double>(p.Y) * kStep_mm});
    }
    if (signed_area_mm2(points) > signed_area_mm2(best)) best = std::move(points);
  }
  return best;
}

Form form_of(PolygonMm points, PointMm& low) {
  const Extent extent = extent_of(points);
  low = extent.low;
  Form f;
  for (PointMm& p : points) p = p - low;
  f.width = extent.size().x, f.height = extent.size().y;
  f.area = signed_area_mm2(points);
  constexpr double kRounding = 1e-9;
  f.convex = signed_area_mm2(convex_hull(points)) - f.area < kRounding * f.area;
  f.points = f.convex ? convex_hull(points) : std::move(points);
  return f;
}

bool same_shape(const Form& a, const Form& b) {
  if (a.points.size() != b.points.size()) return false;
  const double near = 1e-9 * (a.width + a.height);
  const std::size_t n = a.points.size();
  for (std::size_t shift = 0; shift < n; ++shift) {
    std::size_t k = 0;
    while (k < n && distance(a.points[k], b.points[(k + shift) % n]) <= near) ++k;
    if (k == n) return true;
  }
  return false;
}

/// The item's outline grown by half the gap and simplified for the search.
PolygonMm search_outline(const PolygonMm& shape, double gap_mm) {
  constexpr std::size_t kEnough = 40;
  constexpr double kFinest = 2e-4, kCoarsest = 3e-3;  // of the shape's size
  PolygonMm out = offset_outwards(shape, gap_mm / 2);
  const PolygonMm whole = out;
  const double size = std::sqrt(std::abs(signed_area_mm2(shape)));
  for (double share = kFinest; out.size() > kEnough && share < kCoarsest; share *= 1.5) {
    out = simplified_outwards(whole, share * size);
  }
  return out;
}

/// Where the lines a-b and c-d meet beyond b and before c: the new corner when edge b-c is removed.
std::optional<PointMm> line_intersection(PointMm a, PointMm b, PointMm c, PointMm d) {
  const PointMm u = b - a, v = c - d;
  const double det = cross(u, v);
  if (std::abs(det) <= 1e-12 * norm(u) * norm(v)) return std::nullopt;
  const double s = cross(d - a, v) / det, t = cross(d - a, u) / det;
  if (s < 1 || t < 1) return std::nullopt;  // not beyond both
  return a + s * u;
}

}  // namespace

PolygonMm simplified_outwards(const PolygonMm& polygon, double tolerance_mm) {
  PolygonMm p = polygon;
  std::vector<double> off(p.size(), 0);  // error so far of the edge after each point, mm
  const auto erase = [&](std::size_t k) {
    p.erase(p.begin() + static_cast<std::ptrdiff_t>(k));
    off.erase(off.begin() + static_cast<std::ptrdiff_t>(k));
  };
  bool changed = true;
  while (changed && p.size() > 3) {
    changed = false;
    for (std::size_t k = 0; k < p.size() && p.size() > 3; ++k) {
      const std::size_t n = p.size(), k0 = (k + n - 1) % n, k1 = (k + 1) % n;
      const PointMm before = p[k0], here = p[k], next = p[k1], after = p[(k + 2) % n];
      if (cross(here - before, next - here) <= 0) {  // hollow or straight: the chord lies outside
        const double chord = std::max(off[k0], off[k]) + distance_to_segment(here, before, next);
        if (chord > tolerance_mm) continue;
        off[k0] = chord;
        erase(k);
        changed = true;
        continue;
      }
      if (cross(next - here, after - next) <= 0) continue;
      const auto corner = line_intersection(before, here, next, after);
      if (!corner) continue;
      const double beyond = off[k] + distance_to_segment(*corner, here, next);
      if (beyond > tolerance_mm) continue;
      p[k] = *corner;
      off[k0] = std::max(off[k0], beyond), off[k] = std::max(off[k1], beyond);
      erase(k1);
      changed = true;
    }
  }
  return self_intersects(p) ? polygon : p;
}

Result<Prepared> prepare(const std::vector<Item>& items, const Strip& strip) {
  if (auto wrong = invalid(strip)) return *wrong;
  Prepared out;
  // Items are grown by half the gap; towards the film's edge no gap is needed, so the strip grows
  // by as much.
  out.edge_mm = strip.edge_mm - strip.gap_mm / 2;
  out.problem.width = strip.width_mm - 2 * out.edge_mm;
  int copies = 0;
  for (std::size_t k = 0; k < items.size(); ++k) {
    const Item& item = items[k];
    if (auto wrong = invalid(item)) return *wrong;
    copies += item.copies;
    if (copies > kMostCopies) return bad("more than " + std::to_string(kMostCopies) + " copies");
    Item search = item;
    search.shape = search_outline(item.shape, strip.gap_mm);
    const std::size_t first = out.problem.forms.size();
    double least_height = std::numeric_limits<double>::infinity();
    Copy copy;
    copy.size = std::sqrt(signed_area_mm2(convex_hull(search.shape)));
    for (const bool mirror : {false, true}) {
      if (mirror && !item.may_mirror) continue;
      for (const double turn : item.turns_deg) {
        Origin origin{k, turn, mirror, {}};
        Form form = form_of(placed_shape(search, {k, turn, mirror, {}}), origin.low);
        least_height = std::min(least_height, form.height);
        constexpr double kRounding = 1e-9;
        if (form.height > out.problem.width * (1 + kRounding)) continue;
        const auto begin = out.problem.forms.begin() + static_cast<std::ptrdiff_t>(first);
        if (std::any_of(begin, out.problem.forms.end(),
                        [&](const Form& f) { return same_shape(f, form); })) {
          continue;
        }
        copy.forms.push_back(static_cast<int>(out.problem.forms.size()));
        out.problem.forms.push_back(std::move(form));
        out.origins.push_back(origin);
      }
    }
    if (copy.forms.empty() && item.copies > 0) {
      return Error{Code::does_not_fit,
                   "'" + item.name + "' needs film at least " +
                       to_text(least_height + 2 * out.edge_mm, 1) + " mm wide, " +
                       to_text(least_height + 2 * out.edge_mm - strip.width_mm, 1) +
                       " mm more than this; take wider film or let it lie another way"};
    }
    for (int c = 0; c < item.copies; ++c) {
      out.problem.copies.push_back(copy);
      out.item_of.push_back(k);
      out.problem.area += signed_area_mm2(search.shape);
    }
  }
  return out;
}

Layout layout_of(const Prepared& prepared, const State& state) {
  Layout out;
  for (std::size_t i = 0; i < state.at.size(); ++i) {
    const Origin& o = prepared.origins[static_cast<std::size_t>(state.form[i])];
    out.placed.push_back({prepared.item_of[i], o.turn_deg, o.mirrored,
                          state.at[i] - o.low + PointMm{prepared.edge_mm, prepared.edge_mm}});
  }
  const double bound = length_lower_bound(prepared.problem);
  const double ends = state.at.empty() ? 0 : 2 * prepared.edge_mm;
  out.length_mm = state.length + ends;
  out.bound_mm = bound + ends;
  constexpr double kRounding = 1e-7;
  out.shortest = state.length <= bound * (1 + kRounding);
  return out;
}

}  // namespace panecard::layout
