// Where an outline's sides end and its corners lie: by its turning, or as the drawing has it.
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "pattern/line.h"
#include "pattern/pattern.h"

namespace panecard::pattern {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kDegree = kPi / 180;
constexpr std::size_t kStations = 1024;
// Shares of the perimeter: a wiggle shorter than kChordShare is no direction of its own, a turn
// that takes longer than four kReachShare is no corner.
constexpr double kChordShare = 0.01, kReachShare = 0.02, kShortestShare = 0.05;
constexpr double kCornerTurn = 30 * kDegree;
constexpr double kSmooth = 0.15;  // of a curve's bend, what it may keep beyond its end

/// The line's smoothed direction (rad, unwrapped) at even stations, and past the last.
class Directions {
 public:
  explicit Directions(const ArcLengthCurve& loop) : step_(loop.length() / kStations) {
    const double half = kChordShare * loop.length();
    const auto chord = [&](std::size_t k) {
      const double s = step_ * static_cast<double>(k);
      return loop.point(s + half) - loop.point(s - half);
    };
    PointMm before = chord(0);
    rad_.push_back(std::atan2(before.y, before.x));
    for (std::size_t k = 1; k <= kStations; ++k) {
      const PointMm now = chord(k);
      rad_.push_back(rad_.back() + turn_between(before, now));
      before = now;
    }
  }
  double step() const { return step_; }
  double at(long k) const {  ///< any station; one round later it has turned by one round
    const auto round = static_cast<long>(kStations);
    const long turns = k >= 0 ? k / round : -((-k + round - 1) / round);
    return rad_[static_cast<std::size_t>(k - turns * round)] +
           static_cast<double>(turns) * (rad_.back() - rad_.front());
  }
  double turn(long k, long reach) const { return at(k + reach) - at(k - reach); }

 private:
  double step_;
  std::vector<double> rad_;
};

constexpr std::array<const char*, 4> kWhere = {"right", "top", "left", "bottom"};

/// Which of the four a normal's direction is nearest to, and by how much it is off.
struct Facing {
  std::size_t index;
  double off_rad;
};
Facing facing(double normal_rad) {
  const double quarters = positive_modulo(normal_rad, 2 * kPi) / (kPi / 2);
  const double nearest = std::round(quarters);
  return {static_cast<std::size_t>(nearest) % 4, (quarters - nearest) * kPi / 2};
}

/// A part of the outline from vertex to vertex, with the name it has in the drawing, if any.
struct VertexRange {
  std::string name;
  std::size_t first, last;
};

double vertex_turn(const PolygonMm& p, std::size_t i) {
  const std::size_t n = p.size();
  return turn_between(p[i] - p[(i + n - 1) % n], p[(i + 1) % n] - p[i]);
}

/// The vertices between which the turn of one corner happens, less what its sides turn anyway.
VertexRange corner_within(const PolygonMm& p, const ArcLengthCurve& loop, const Directions& d,
                          long from, long to) {
  constexpr double kFringe = 0.015;  // share of the turn left outside on either side
  const long reach = std::lround(kReachShare * kStations);
  const double apart = d.step() * static_cast<double>(reach);
  const double before = (d.at(from - reach) - d.at(from - 2 * reach)) / apart;
  const double after = (d.at(to + 2 * reach) - d.at(to + reach)) / apart;
  const double start = d.step() * static_cast<double>(from - reach);
  const double length = d.step() * static_cast<double>(to - from + 2 * reach);
  const std::size_t n = p.size();
  std::vector<std::pair<double, std::size_t>> inside;
  for (std::size_t i = 0; i < n; ++i) {
    const double s = positive_modulo(loop.at(i) - start, loop.length());
    if (s <= length) inside.push_back({s, i});
  }
  std::sort(inside.begin(), inside.end());
  if (inside.empty()) {
    const std::size_t v = loop.nearest_vertex(start + length / 2);
    return {"", v, v};
  }
  double all = -(before + after) * length / 2;
  for (const auto& [s, i] : inside) all += vertex_turn(p, i);
  // The last vertex before half of the turn is done that is still in the fringe: noise in the
  // direction of the edges makes the turn go to and fro.
  std::size_t first = 0, last = inside.size() - 1;
  double run = 0, at = 0;
  for (std::size_t k = 0; k < inside.size() && run / all < 0.5; ++k) {
    run += vertex_turn(p, inside[k].second) - before * (inside[k].first - at);
    at = inside[k].first;
    if (run / all <= kFringe) first = std::min(k + 1, inside.size() - 1);
  }
  run = 0, at = length;
  for (std::size_t k = inside.size(); k-- > 0 && run / all < 0.5;) {
    run += vertex_turn(p, inside[k].second) - after * (at - inside[k].first);
    at = inside[k].first;
    if (run / all <= kFringe) last = k > 0 ? k - 1 : 0;
  }
  if (first > last) first = last = (first + last) / 2;
  return {"", inside[first].second, inside[last].second};
}

std::vector<VertexRange> corners_by_turn(const PolygonMm& p, const ArcLengthCurve& loop,
                                         const Directions& d) {
  const auto round = static_cast<long>(kStations);
  const long reach = std::lround(kReachShare * kStations);
  std::vector<bool> turns(kStations);
  for (long k = 0; k < round; ++k) {
    const double near = d.turn(k, reach), wide = d.turn(k, 2 * reach);
    turns[static_cast<std::size_t>(k)] =
        std::abs(near) >= kCornerTurn && std::abs(wide) >= kCornerTurn && near * wide > 0;
  }
  const auto straight = std::find(turns.begin(), turns.end(), false);
  std::vector<VertexRange> corners;
  if (straight == turns.end()) return corners;
  const long start = straight - turns.begin();
  const auto is_turn = [&](long k) { return turns[static_cast<std::size_t>((start + k) % round)]; };
  for (long k = 0; k < round; ++k) {
    if (!is_turn(k)) continue;
    const long from = k;
    while (k < round && is_turn(k)) ++k;
    const long a = start + from, b = start + k - 1;
    const VertexRange corner = corner_within(p, loop, d, a, b);
    const double length =
        positive_modulo(loop.at(corner.last) - loop.at(corner.first), loop.length());
    const double inside = std::abs(d.at(b) - d.at(a)) / static_cast<double>(std::max(1L, b - a));
    const double outside =
        std::abs(d.at(a - reach) - d.at(a - 2 * reach) + d.at(b + 2 * reach) - d.at(b + reach)) /
        static_cast<double>(2 * reach);
    // The round end of an oval is a side, not a corner.
    const bool is_long = length > kShortestShare * loop.length();
    if (!is_long || outside < kSmooth * inside) corners.push_back(corner);
  }
  return corners;
}

/// Corners as drawn: the arcs that round them, and every other place where two pieces meet.
std::vector<VertexRange> corners_as_drawn(const std::vector<outline::Piece>& pieces) {
  std::vector<VertexRange> corners;
  for (std::size_t k = 0; k < pieces.size(); ++k) {
    const outline::Piece &piece = pieces[k], &next = pieces[(k + 1) % pieces.size()];
    if (piece.corner) {
      corners.push_back({piece.name, piece.first, piece.last});
    } else if (!next.corner && pieces.size() > 1) {
      corners.push_back({"", piece.last, piece.last});
    }
  }
  return corners;
}

std::string name_at(const std::vector<outline::Piece>& pieces, std::size_t first) {
  for (const outline::Piece& piece : pieces) {
    if (!piece.corner && piece.first == first) return piece.name;
  }
  return "";
}

/// Direction (rad) of the outward normal of the chord from vertex to vertex.
double mean_normal(const PolygonMm& p, std::size_t first, std::size_t last) {
  const PointMm chord = p[last] - p[first];
  const PointMm along = first == last ? p[(first + 1) % p.size()] - p[first] : chord;
  return std::atan2(along.y, along.x) - kPi / 2;
}

struct Divider {
  const PolygonMm& p;
  const ArcLengthCurve loop;
  const Directions directions;
  const double up_rad;  ///< of the normal that faces "top", less a quarter turn
  Division out;

  Divider(const PolygonMm& points, PointMm up)
      : p(points), loop(p), directions(loop), up_rad(std::atan2(up.y, up.x) - kPi / 2) {}

  std::string where(double normal_rad) const { return kWhere[facing(normal_rad - up_rad).index]; }

  /// Splits what turns from one direction into another without a corner, a little late so that
  /// a line near 45 degrees does not go to and fro.
  void add(const VertexRange& whole) {
    constexpr double kLate = 6 * kDegree, kTurnsAway = 60 * kDegree;
    const double from = loop.at(whole.first);
    const double length = whole.first == whole.last
                              ? loop.length()
                              : positive_modulo(loop.at(whole.last) - from, loop.length());
    const double chord = kChordShare * loop.length();
    const long k0 = std::lround((from + chord) / directions.step());
    const long k1 = std::lround((from + length - chord) / directions.step());
    const double least = kShortestShare * loop.length();
    if (k1 <= k0 || std::abs(directions.at(k1) - directions.at(k0)) < kTurnsAway) {
      return add_side({whole.name, whole.first, whole.last});
    }
    std::size_t first = whole.first, now = facing(directions.at(k0) - kPi / 2 - up_rad).index;
    double since = from;
    for (long k = k0; k <= k1; ++k) {
      const Facing f = facing(directions.at(k) - kPi / 2 - up_rad);
      const double s = directions.step() * static_cast<double>(k);
      if (f.index == now || std::abs(f.off_rad) > kPi / 4 - kLate) continue;
      now = f.index;
      const std::size_t vertex = loop.nearest_vertex(s);
      if (s - since < least || from + length - s < least || vertex == first) continue;
      add_side({whole.name, first, vertex});
      out.corners.push_back({"", "", vertex, vertex});
      first = vertex;
      since = s;
    }
    add_side({whole.name, first, whole.last});
  }

  void add_side(const VertexRange& s) {
    const std::string at = where(mean_normal(p, s.first, s.last));
    out.sides.push_back({s.name.empty() ? at : s.name, at, s.first, s.last});
  }

  void name_corners() {
    if (out.sides.size() < 2) out.corners.clear();
    for (std::size_t k = 0; k < out.corners.size(); ++k) {
      const std::string a = out.sides[k].where, b = out.sides[(k + 1) % out.sides.size()].where;
      const auto upright = [](const std::string& w) { return w == "top" || w == "bottom"; };
      Side& corner = out.corners[k];
      if (upright(a) != upright(b)) {
        corner.where = upright(a) ? a : b;
        corner.where.append(" ").append(upright(a) ? b : a);
      } else {
        corner.where = "middle of " + a;
        if (a != b) corner.where.append(" and ").append(b);
      }
      if (corner.name.empty()) corner.name = corner.where;
    }
  }
};

/// No corner anywhere: begins where the line faces between two directions.
std::size_t diagonal_vertex(const Divider& d) {
  long best = 0;
  double most = -1;
  for (long k = 0; k < static_cast<long>(kStations); ++k) {
    const double off = std::abs(facing(d.directions.at(k) - kPi / 2 - d.up_rad).off_rad);
    if (off > most + 1e-6) {
      most = off;
      best = k;
    }
  }
  return d.loop.nearest_vertex(d.directions.step() * static_cast<double>(best));
}

std::optional<Error> check_outline(const PolygonMm& p) {
  constexpr std::size_t kMostPoints = 20'000;
  constexpr double kLargest_mm = 20'000, kSmallestArea_mm2 = 1;
  const auto bad = [](const std::string& what) {
    return Error{Code::degenerate_shape, what + "; trace it again or mend it"};
  };
  if (p.size() > kMostPoints) {
    return Error{Code::too_large, "the outline has " + std::to_string(p.size()) +
                                      " points, the limit is " + std::to_string(kMostPoints)};
  }
  if (p.size() < 3) return bad("an outline of " + std::to_string(p.size()) + " points is open");
  for (const PointMm q : p) {
    if (!std::isfinite(q.x) || !std::isfinite(q.y)) return bad("the outline is not finite");
  }
  const Extent e = extent_of(p);
  if (std::max(e.high.x - e.low.x, e.high.y - e.low.y) > kLargest_mm) {
    return Error{Code::too_large, "the outline is larger than 20 m, no pane is; check its units"};
  }
  if (const auto at = find_crossing(p)) {
    return bad("the outline crosses or touches itself at " + place_text(*at));
  }
  const double area = signed_area_mm2(p);
  if (area < -kSmallestArea_mm2) return bad("the outline runs clockwise");
  if (area < kSmallestArea_mm2) return bad("the outline encloses less than 1 mm2: it is open");
  return std::nullopt;
}

bool indices_fit(const std::vector<outline::Piece>& pieces, std::size_t n) {
  for (std::size_t k = 0; k < pieces.size(); ++k) {
    if (pieces[k].first >= n || pieces[k].last >= n) return false;
    if (pieces[k].last != pieces[(k + 1) % pieces.size()].first) return false;
  }
  return true;
}

/// Removes repeated points: an edge of length 0 has no direction.
void drop_repeats(PolygonMm& points, std::vector<double>& u95_mm,
                  std::vector<outline::Piece>& pieces) {
  constexpr double kSame_mm = 1e-4;
  PolygonMm kept;
  std::vector<double> kept_u95;
  std::vector<std::size_t> moved;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const bool repeats = !kept.empty() && distance(kept.back(), points[i]) <= kSame_mm;
    if (!repeats) {
      kept.push_back(points[i]);
      if (i < u95_mm.size()) kept_u95.push_back(u95_mm[i]);
    }
    moved.push_back(kept.size() - 1);
  }
  if (kept.size() > 1 && distance(kept.back(), kept.front()) <= kSame_mm) {
    kept.pop_back();
    if (!kept_u95.empty()) kept_u95.pop_back();
  }
  for (outline::Piece& piece : pieces) {
    piece.first = moved[piece.first] % kept.size();
    piece.last = moved[piece.last] % kept.size();
  }
  points = std::move(kept);
  u95_mm = std::move(kept_u95);
}

}  // namespace

Result<Pane> divide(PolygonMm outline, std::vector<double> u95_mm,
                    std::vector<outline::Piece> pieces, PointMm up) {
  if (!u95_mm.empty() && u95_mm.size() != outline.size()) {
    return Error{Code::degenerate_shape, "the outline has not one U95 for every point"};
  }
  if (!indices_fit(pieces, outline.size())) {
    return Error{Code::degenerate_shape, "the outline's pieces do not follow one another"};
  }
  drop_repeats(outline, u95_mm, pieces);
  if (const auto why = check_outline(outline)) return *why;
  Divider d(outline, up);
  std::vector<VertexRange> corners =
      pieces.empty() ? corners_by_turn(outline, d.loop, d.directions) : corners_as_drawn(pieces);
  if (corners.empty()) {
    const std::size_t start = pieces.empty() ? diagonal_vertex(d) : pieces[0].first;
    d.add({pieces.empty() ? "" : pieces[0].name, start, start});
    d.out.corners.push_back({"", "", start, start});
  }
  for (std::size_t k = 0; k < corners.size(); ++k) {
    const VertexRange& next = corners[(k + 1) % corners.size()];
    d.add({name_at(pieces, corners[k].last), corners[k].last, next.first});
    d.out.corners.push_back({next.name, "", next.first, next.last});
  }
  d.name_corners();
  Division division = std::move(d.out);
  return Pane{std::move(outline), std::move(u95_mm), std::move(division)};
}

PointMm up_in_photo(const check::Shape& shape) {
  const Contour& c = shape.contour;
  const std::size_t n = c.points.size();
  if (c.points_px.size() != n || n < 3) return {0, 1};
  // Pixels fall as the pane rises: the gradient of -y_px over the pane, by least squares.
  double xx = 0, xy = 0, yy = 0, xz = 0, yz = 0, mean_px = 0;
  PointMm mean;
  for (std::size_t i = 0; i < n; ++i) {
    mean = mean + (1.0 / static_cast<double>(n)) * c.points[i];
    mean_px += c.points_px[i].y / static_cast<double>(n);
  }
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm p = c.points[i] - mean;
    const double z = mean_px - c.points_px[i].y;
    xx += p.x * p.x, xy += p.x * p.y, yy += p.y * p.y;
    xz += p.x * z, yz += p.y * z;
  }
  const PointMm gradient{yy * xz - xy * yz, xx * yz - xy * xz};
  if (norm(gradient) > 0 && std::isfinite(norm(gradient))) return unit(gradient);
  return {0, 1};
}

Result<Pane> divide(const check::Shape& shape, std::vector<outline::Piece> pieces) {
  return divide(shape.contour.points, shape.u95_mm, std::move(pieces), up_in_photo(shape));
}

}  // namespace panecard::pattern
