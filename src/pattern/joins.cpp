#include "pattern/joins.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace panecard::pattern {
namespace {

constexpr double kDegree = std::numbers::pi / 180;
constexpr double kMostGentle = 60 * kDegree, kLeastSharp = 15 * kDegree;
constexpr double kSmallTurn = 10 * kDegree;
/// SVG 1.1, 11.4: the initial value of stroke-miterlimit.
constexpr double kMitreLimit = 4;

/// The ends of both curves and the intersection of their tangents: from + ahead t1 = to - behind
/// t2.
struct Corner {
  PointMm from, to, t1, t2;
  double turn_rad = 0, ahead = 0, behind = 0, length_mm = 0;
  bool rounded = false;
  bool meets() const { return ahead > 0 && behind > 0; }
  PointMm crossing() const { return from + ahead * t1; }
};

Corner corner_between(const OffsetCurves& r, std::size_t i, std::size_t j, double d1, double d2) {
  Corner c;
  const std::size_t e = r.before(i);
  c.t1 = r.tangent(e);
  c.t2 = r.tangent(j);
  c.from = r.point(i) + d1 * r.normal(e);
  c.to = r.point(j) + d2 * r.normal(j);
  c.rounded = i != j;
  c.turn_rad = r.turn(i);
  for (std::size_t k = i; k != j; k = r.next(k)) {
    c.turn_rad += r.turn(r.next(k));
    c.length_mm += r.length(k);
  }
  const double sine = cross(c.t1, c.t2);
  c.ahead = cross(c.to - c.from, c.t2) / sine;
  c.behind = cross(c.t1, c.to - c.from) / sine;
  if (!std::isfinite(c.ahead) || !std::isfinite(c.behind)) c.ahead = c.behind = -1e9;
  return c;
}

bool needs_transition(const Corner& c) {
  return std::abs(c.turn_rad) < (c.rounded ? kMostGentle : kLeastSharp) && !c.meets();
}

/// Rational quadratic with the weight cos(turn / 2): tangent to both sides, never an S, and the
/// circle itself between equal distances (Farin, Curves and Surfaces for CAGD, on conics).
PolygonMm conic(const Corner& c) {
  const PointMm x = c.crossing();
  const double w = std::cos(c.turn_rad / 2);
  const double bend = (c.ahead + c.behind) * std::abs(c.turn_rad) * std::max(c.ahead, c.behind) /
                      std::min(c.ahead, c.behind);
  const int steps =
      static_cast<int>(std::clamp(std::sqrt(bend / (8 * kChord_mm)), 2.0, 2000.0)) + 1;
  PolygonMm out;
  for (int k = 1; k < steps; ++k) {
    const double t = static_cast<double>(k) / steps;
    const double a = (1 - t) * (1 - t), b = 2 * w * t * (1 - t), d = t * t;
    out.push_back((1 / (a + b + d)) * (a * c.from + b * x + d * c.to));
  }
  return out;
}

/// Whether the curve stays between both distances. The conic assumes that the corner is an arc; at
/// a corner of another shape it may cut across.
bool stays_in_band(const PolygonMm& curve, const OffsetCurves& r, const ChainEnd& a,
                   const ChainEnd& b) {
  constexpr double kSlack_mm = 0.2;
  constexpr std::size_t kMostProbes = 32;
  const double least = std::min(a.distance_mm, b.distance_mm) - kSlack_mm;
  const double most = std::max(a.distance_mm, b.distance_mm) + kSlack_mm;
  const std::size_t stride = 1 + curve.size() / kMostProbes;
  for (std::size_t i = 0; i < curve.size(); i += stride) {
    double nearest = 1e300, outside = 0;
    for (std::size_t k = a.vertex; k != b.vertex; k = r.next(k)) {
      const double at = distance_to_segment(curve[i], r.point(k), r.point(r.next(k)));
      if (at >= nearest) continue;
      nearest = at;
      outside = dot(curve[i] - r.point(k), r.normal(k)) >= 0 ? at : -at;
    }
    if (outside < least || outside > most) return false;
  }
  return true;
}

/// Offsets a vertex: a mitre at a small turn; else an arc on the convex side, or a path through the
/// vertex on the concave side, as in OffsetCurves.
void round_vertex(PolygonMm& out, const OffsetCurves& r, std::size_t k, double d) {
  const PointMm p = r.point(k), n1 = r.normal(r.before(k)), n2 = r.normal(k);
  const double turn = r.turn(k);
  if (std::abs(turn) < kSmallTurn) {
    out.push_back(p + (d / (1 + dot(n1, n2))) * (n1 + n2));
  } else if (d * turn > 0) {
    const int steps = arc_steps(d, turn, kChord_mm);
    for (int m = 0; m <= steps; ++m) out.push_back(p + d * turned(n1, turn * m / steps));
  } else {
    out.insert(out.end(), {p + d * n1, p, p + d * n2});
  }
}

/// The distance changes along the outline as 3 t^2 - 2 t^3 (smoothstep): no kink at either end.
PolygonMm blended_along_outline(const OffsetCurves& r, const ChainEnd& a, const ChainEnd& b,
                                double length) {
  const double d1 = a.distance_mm, change = b.distance_mm - d1;
  const double step =
      length / std::clamp(std::sqrt(6 * std::abs(change) / (8 * kChord_mm)), 8.0, 1e4);
  PolygonMm out;
  double run = 0;
  for (std::size_t k = a.vertex; k != b.vertex; k = r.next(k)) {
    const int parts = static_cast<int>(std::ceil(r.length(k) / step));
    for (int m = 0; m < parts; ++m) {
      const double along = r.length(k) * m / parts, t = (run + along) / length;
      const double d = d1 + change * t * t * (3 - 2 * t);
      if (m > 0) {
        out.push_back(r.point(k) + along * r.tangent(k) + d * r.normal(k));
      } else if (k != a.vertex || std::abs(r.turn(k)) > kSmallTurn) {
        round_vertex(out, r, k, d);
      }
    }
    run += r.length(k);
  }
  if (std::abs(r.turn(b.vertex)) > kSmallTurn) round_vertex(out, r, b.vertex, b.distance_mm);
  return out;
}

int last_tag(const ChainEnd& a) { return a.chain.tag[a.chain.tag.size() - 2]; }
int first_tag(const ChainEnd& b) { return b.chain.tag.front(); }

Join join_through(PolygonMm points) {
  Join out;
  out.between.tag.assign(points.size(), kJoin);
  out.between.points = std::move(points);
  return out;
}

Join mitre(const Corner& c, PointMm apex, const ChainEnd& a, const ChainEnd& b) {
  Join out;
  out.tag = last_tag(a);
  const PointMm x = c.crossing();
  const double limit = kMitreLimit * std::max(std::abs(a.distance_mm), std::abs(b.distance_mm));
  if (distance(apex, x) <= limit) {
    out.between.add(x, first_tag(b));
    return out;
  }
  const PointMm away = unit(x - apex);
  const double along1 = (limit - dot(c.from - apex, away)) / dot(c.t1, away);
  const double along2 = (limit - dot(c.to - apex, away)) / dot(-1.0 * c.t2, away);
  out.between.add(c.from + std::clamp(along1, 0.0, c.ahead) * c.t1, kJoin);
  out.between.add(c.to - std::clamp(along2, 0.0, c.behind) * c.t2, first_tag(b));
  return out;
}

struct ChainWindow {
  PolygonMm points;                ///< away from the corner, the extension first
  std::vector<std::size_t> edges;  ///< of the chain; the extension has none
};

/// The part of a chain within `window_mm` of the corner, and its tangent extended past it.
ChainWindow chain_window(const TaggedLine& chain, bool backwards, PointMm extension,
                         double window_mm) {
  const std::size_t n = chain.points.size();
  ChainWindow out;
  out.points.push_back(extension);
  double run = 0;
  for (std::size_t k = 0; k < n && run <= window_mm; ++k) {
    const std::size_t i = backwards ? n - 1 - k : k;
    if (k > 0) {
      run += distance(out.points.back(), chain.points[i]);
      out.edges.push_back(backwards ? i : i - 1);
    }
    out.points.push_back(chain.points[i]);
  }
  return out;
}

/// The crossing of both chains, extended, that is nearest to the corner.
std::optional<Join> crossing_of_chains(const Corner& c, const ChainEnd& a, const ChainEnd& b) {
  constexpr double kMargin_mm = 1, kTimes = 20, kAtLeast_mm = 10;
  const double window = kAtLeast_mm + kTimes * (std::abs(a.distance_mm) + std::abs(b.distance_mm)) +
                        std::abs(c.ahead) + std::abs(c.behind);
  const double ahead = std::max(0.0, c.ahead) + kMargin_mm;
  const double behind = std::max(0.0, c.behind) + kMargin_mm;
  const ChainWindow from = chain_window(a.chain, true, c.from + ahead * c.t1, window);
  const ChainWindow to = chain_window(b.chain, false, c.to - behind * c.t2, window);
  std::optional<Join> best;
  double nearest = 1e300, run_a = 0;
  for (std::size_t i = 0; i + 1 < from.points.size() && run_a < nearest; ++i) {
    double run_b = 0;
    for (std::size_t j = 0; j + 1 < to.points.size() && run_a + run_b < nearest; ++j) {
      if (const auto at =
              meeting(from.points[i], from.points[i + 1], to.points[j], to.points[j + 1])) {
        const double run =
            run_a + run_b + distance(from.points[i], *at) + distance(to.points[j], *at);
        if (run < nearest) {
          nearest = run;
          best = Join{};
          if (i > 0) best->leave = ChainPoint{from.edges[i - 1], *at};
          if (j > 0) best->enter = ChainPoint{to.edges[j - 1], *at};
          best->tag = i > 0 ? first_tag(b) : last_tag(a);
          if (i == 0 && j == 0) best->between.add(*at, first_tag(b));
        }
      }
      run_b += distance(to.points[j], to.points[j + 1]);
    }
    run_a += distance(from.points[i], from.points[i + 1]);
  }
  return best;
}

}  // namespace

Join join(const OffsetCurves& r, const ChainEnd& a, const ChainEnd& b) {
  constexpr double kMostConic = 150 * kDegree, kMostUneven = 20, kLeastGentle = 4;
  const double d1 = a.distance_mm, d2 = b.distance_mm;
  const Corner c = corner_between(r, a.vertex, b.vertex, d1, d2);
  const double turn = std::abs(c.turn_rad);
  if (c.rounded) {
    if (c.meets() && turn < kMostConic && c.ahead < kMostUneven * c.behind &&
        c.behind < kMostUneven * c.ahead) {
      PolygonMm curve = conic(c);
      if (stays_in_band(curve, r, a, b)) return join_through(std::move(curve));
    }
    // Where the curves would have to be trimmed, the distance changes along the corner only if that
    // is gradual; where both offset bands overlap anyway, always.
    const double least = c.meets() ? 1 : kLeastGentle;
    const bool hollow = c.turn_rad < 0 && d1 >= 0 && d2 >= 0;
    const bool overlap = hollow || (c.ahead < 0 && c.behind < 0 && d1 * d2 >= 0);
    const bool gentle =
        (!c.meets() && turn < kMostGentle) || c.length_mm > least * std::abs(d2 - d1);
    if (overlap || gentle) {
      return join_through(blended_along_outline(r, a, b, c.length_mm));
    }
  }
  if (c.ahead >= 0 && c.behind >= 0) return mitre(c, r.point(r.between(a.vertex, b.vertex)), a, b);
  const bool both_pass = c.ahead < 0 && c.behind < 0;
  if (both_pass && d1 * d2 >= 0) return join_through({r.point(a.vertex)});
  if (const auto met = crossing_of_chains(c, a, b)) return *met;
  const double near = kMitreLimit * (std::abs(d1) + std::abs(d2));
  const bool is_near = std::max(std::abs(c.ahead), std::abs(c.behind)) < near;
  return both_pass || !is_near ? Join{} : join_through({c.crossing()});
}

void append_trimmed(TaggedLine& raw, const TaggedLine& chain, const Join& before,
                    const Join& after) {
  const std::size_t n = chain.points.size();
  std::size_t first = 0, last = n - 1;
  const bool enters = before.enter.has_value(), leaves = after.leave.has_value();
  if (enters) first = before.enter->edge + 1;
  if (leaves) last = after.leave->edge;
  // Trimmed at both ends past each other, the side vanishes: keep it and let the winding number
  // decide.
  const bool swallowed = first > last + 1;
  if (swallowed) first = 0, last = n - 1;
  if (enters && !swallowed) raw.add(before.enter->at, chain.tag[first - 1]);
  for (std::size_t i = first; i <= last && i < n; ++i) raw.add(chain.points[i], chain.tag[i]);
  if (leaves && !swallowed) {
    raw.add(after.leave->at, after.tag);
  } else {
    raw.tag.back() = after.tag;
  }
  for (std::size_t i = 0; i < after.between.points.size(); ++i) {
    raw.add(after.between.points[i], after.between.tag[i]);
  }
}

Pane with_transitions(const Pane& pane, const std::vector<double>& distance_mm) {
  constexpr double kLengthPerChange = 10, kMostOfSide = 0.45, kSame_mm = 1e-3;
  const OffsetCurves offset_curves(pane.outline);
  const ArcLengthCurve loop(pane.outline);
  const std::size_t count = pane.division.sides.size();
  struct Bound {
    double s;  ///< arc length
    std::size_t* index;
  };
  Pane out{pane.outline, {}, pane.division};
  std::vector<Bound> bounds;
  for (std::size_t k = 0; k < out.division.corners.size(); ++k) {
    Side& corner = out.division.corners[k];
    Side &side = out.division.sides[k], &next = out.division.sides[(k + 1) % count];
    double first = loop.at(corner.first), last = loop.at(corner.last);
    const double d1 = distance_mm[k], d2 = distance_mm[(k + 1) % count];
    const double run = positive_modulo(last - first, loop.length());
    if (d1 != d2 &&
        needs_transition(corner_between(offset_curves, corner.first, corner.last, d1, d2))) {
      const double half = std::max(0.0, (kLengthPerChange * std::abs(d2 - d1) - run) / 2);
      const auto most = [&](const Side& s) {
        return kMostOfSide * positive_modulo(loop.at(s.last) - loop.at(s.first), loop.length());
      };
      first -= std::min(half, most(pane.division.sides[k]));
      last += std::min(half, most(pane.division.sides[(k + 1) % count]));
    }
    bounds.push_back({positive_modulo(first, loop.length()), &corner.first});
    bounds.push_back({positive_modulo(first, loop.length()), &side.last});
    bounds.push_back({positive_modulo(last, loop.length()), &corner.last});
    bounds.push_back({positive_modulo(last, loop.length()), &next.first});
  }
  std::sort(bounds.begin(), bounds.end(), [](const Bound& a, const Bound& b) { return a.s < b.s; });
  out.outline.clear();
  std::size_t taken = 0;
  for (const Bound& bound : bounds) {
    while (taken < offset_curves.size() && loop.at(taken) <= bound.s + kSame_mm) {
      out.outline.push_back(offset_curves.point(taken++));
    }
    const PointMm at = loop.point(bound.s);
    if (distance(out.outline.back(), at) > kSame_mm) out.outline.push_back(at);
    *bound.index = out.outline.size() - 1;
  }
  while (taken < offset_curves.size()) out.outline.push_back(offset_curves.point(taken++));
  return out;
}

}  // namespace panecard::pattern
