#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>

#include "base/base.h"
#include "film/film.h"

namespace panecard::film {
namespace {

constexpr double kMost = 50000;
constexpr std::size_t kMostPaths = 2000;
constexpr std::size_t kMostVertices = 200000;
constexpr std::size_t kMostChords = 2000000;
constexpr double kFine = 0.02;
constexpr double kMostBulge = 100;      // 357.7 deg: a whole turn has no bulge
constexpr double kLeastSagitta = 1e-4;  // flatter is straight: no format resolves it
constexpr double kLeastLength = 1e-6;
constexpr double kOnEdge = 0.01;  // what rounding on the way here may add
constexpr double kPi = std::numbers::pi;

Leg leg_between(const ArcVertex& from, PointMm to) {
  Leg leg{from.at, to, {}};
  const PointMm way = to - from.at;
  const double b = from.bulge;
  if (std::abs(b) * norm(way) / 2 < kLeastSagitta) return leg;
  const PointMm left{-way.y, way.x};
  leg.centre = 0.5 * (from.at + to) + ((1 - b * b) / (4 * b)) * left;
  leg.radius_mm = norm(way) * (1 + b * b) / (4 * std::abs(b));
  leg.start_rad = std::atan2(from.at.y - leg.centre.y, from.at.x - leg.centre.x);
  leg.sweep_rad = 4 * std::atan(b);
  return leg;
}

void widen(Extent& e, const Leg& leg) {
  widen(e, leg.end);
  if (leg.radius_mm == 0) return;
  for (int quarter = 0; quarter < 4; ++quarter) {
    // How far along the sweep the arc points right, up, left or down.
    const double direction = leg.sweep_rad > 0 ? 1 : -1;
    const double turn = direction * (quarter * kPi / 2 - leg.start_rad);
    const double along = turn - 2 * kPi * std::floor(turn / (2 * kPi));
    if (along >= std::abs(leg.sweep_rad)) continue;
    const std::array<PointMm, 4> kWays = {PointMm{1, 0}, {0, 1}, {-1, 0}, {0, -1}};
    widen(e, leg.centre + leg.radius_mm * kWays[static_cast<std::size_t>(quarter)]);
  }
}

std::size_t chords_of(const Leg& leg, double chord_mm) {
  if (leg.radius_mm == 0) return 1;
  // At least four to a full turn, however small the circle.
  const double cosine = 1 - std::min(chord_mm / leg.radius_mm, 1.0);
  const double each = std::min(2 * std::acos(cosine), kPi / 2);
  return static_cast<std::size_t>(std::ceil(std::abs(leg.sweep_rad) / each - 1e-9));
}

bool finite(const CutPath& path) {
  return std::all_of(path.vertices.begin(), path.vertices.end(), [](const ArcVertex& v) {
    return std::abs(v.at.x) <= 2 * kMost && std::abs(v.at.y) <= 2 * kMost &&
           std::abs(v.bulge) <= kMostBulge;
  });
}

std::optional<std::string> wrong_shape(const CutPath& path) {
  if (!finite(path)) return "has a corner that is no place within 50 m: make the path again";
  if (path.kind == CutKind::mark && path.vertices.size() == 1) {
    if (path.label.empty()) return "is one point without a label: give it a label";
    return std::nullopt;
  }
  for (std::size_t i = 0; i < path.vertices.size(); ++i) {
    const PointMm next = path.vertices[(i + 1) % path.vertices.size()].at;
    const bool last = i + 1 == path.vertices.size();
    const bool used = path.closed || !last;
    if (used && path.vertices[i].bulge != 0 && distance(path.vertices[i].at, next) < kLeastLength) {
      return "has an arc without length: make full circles of two arcs";
    }
  }
  const std::vector<Leg> all = legs(path);
  if (all.empty()) return "has no length: leave it out";
  if (path.closed && std::abs(signed_area_mm2(path)) < kLeastLength) {
    return "is closed around nothing: leave it out or say it is open";
  }
  return std::nullopt;
}

std::optional<std::string> beyond_edge(const CutSheet& sheet, const CutPath& path) {
  const Extent e = extent_of(path);
  const double most =
      std::max({-e.low.x, -e.low.y, e.high.x - sheet.length_mm, e.high.y - sheet.width_mm});
  if (most <= kOnEdge) return std::nullopt;
  return "reaches " + fixed(most, 2) + " mm beyond the sheet's edge: move it or widen the sheet";
}

std::optional<std::string> wrong_nesting(const CutSheet& sheet, std::size_t path) {
  const auto count = static_cast<int>(sheet.paths.size());
  int at = sheet.paths[path].inside_of;
  for (int steps = 0; at != -1; ++steps) {
    if (at < 0 || at >= count || steps > count) {
      return "is said to lie inside a path that does not exist, or of itself";
    }
    if (!sheet.paths[static_cast<std::size_t>(at)].closed) {
      return "is said to lie inside an open path";
    }
    at = sheet.paths[static_cast<std::size_t>(at)].inside_of;
  }
  return std::nullopt;
}

// Where a level line crosses the shapes, left to right: in, out, in, out by the even-odd rule.
std::vector<double> crossings(const std::vector<const PolygonMm*>& shapes, double y) {
  std::vector<double> xs;
  for (const PolygonMm* shape : shapes) {
    for (std::size_t i = 0; i < shape->size(); ++i) {
      const PointMm a = (*shape)[i];
      const PointMm b = (*shape)[(i + 1) % shape->size()];
      if ((a.y > y) != (b.y > y)) xs.push_back(a.x + (y - a.y) / (b.y - a.y) * (b.x - a.x));
    }
  }
  std::sort(xs.begin(), xs.end());
  return xs;
}

double room_about(double x, const std::vector<double>& xs) {
  for (std::size_t i = 0; i + 1 < xs.size(); i += 2) {
    if (x >= xs[i] && x <= xs[i + 1]) return 2 * std::min(x - xs[i], xs[i + 1] - x);
  }
  return 0;
}

struct Room {
  PointMm middle;
  double width = 0;
};

// The widest place inside the shapes for words of this height.
Room widest_inside(const std::vector<const PolygonMm*>& shapes, const Extent& e, double height) {
  Room best;
  double best_score = -1;
  // Off the round fractions, where corners tend to lie.
  for (const double fraction : {0.501, 0.401, 0.603, 0.302, 0.704, 0.201, 0.803}) {
    const double y = e.low.y + fraction * e.size().y;
    const std::vector<double> xs = crossings(shapes, y);
    const std::vector<double> above = crossings(shapes, y + height / 2);
    const std::vector<double> below = crossings(shapes, y - height / 2);
    for (std::size_t i = 0; i + 1 < xs.size(); i += 2) {
      const double x = (xs[i] + xs[i + 1]) / 2;
      const double width =
          std::min({xs[i + 1] - xs[i], room_about(x, above), room_about(x, below)});
      const double score = width * (1 - std::abs(fraction - 0.5));
      if (score <= best_score) continue;
      best = {{x, y}, width};
      best_score = score;
    }
  }
  return best;
}

bool within(const Extent& inner, const Extent& outer) {
  return inner.low.x >= outer.low.x && inner.low.y >= outer.low.y && inner.high.x <= outer.high.x &&
         inner.high.y <= outer.high.y;
}

constexpr double kCoarse = 0.5;  // fine enough to place a label or to tell inside from outside

}  // namespace

std::optional<Error> wrong_with(const CutSheet& sheet) {
  const auto good = [](double mm) { return mm > 0 && mm <= kMost; };
  if (!good(sheet.length_mm) || !good(sheet.width_mm)) {
    return Error{Code::too_large, "a sheet of " + fixed(sheet.length_mm, 1) + " x " +
                                      fixed(sheet.width_mm, 1) +
                                      " mm: both must be above 0 and at most 50 000 mm"};
  }
  std::size_t vertices = 0;
  for (const CutPath& path : sheet.paths) vertices += path.vertices.size();
  if (sheet.paths.size() > kMostPaths || vertices > kMostVertices) {
    return Error{Code::too_large, std::to_string(sheet.paths.size()) + " paths with " +
                                      std::to_string(vertices) +
                                      " corners: at most 2000 and 200 000; make several sheets"};
  }
  std::size_t chords = 0;
  for (std::size_t i = 0; i < sheet.paths.size(); ++i) {
    std::optional<std::string> wrong = wrong_shape(sheet.paths[i]);
    if (!wrong) wrong = beyond_edge(sheet, sheet.paths[i]);
    if (!wrong) wrong = wrong_nesting(sheet, i);
    if (wrong) return Error{Code::degenerate_shape, name_of(sheet, i) + " " + *wrong};
    chords += count_chords(sheet.paths[i], kFine);
  }
  if (chords > kMostChords) {
    return Error{Code::too_large, "arcs that take " + std::to_string(chords) +
                                      " chords, at most 2 000 000: make several sheets"};
  }
  return std::nullopt;
}

std::string name_of(const CutSheet& sheet, std::size_t path) {
  std::string name = "path " + std::to_string(path + 1);
  const std::string& label = sheet.paths[path].label;
  return label.empty() ? name : name + " (" + clean(label, 40) + ")";
}

PointMm Leg::at(double t) const {
  if (t <= 0) return start;
  if (t >= 1) return end;
  if (radius_mm == 0) return start + t * (end - start);
  const double a = start_rad + t * sweep_rad;
  return centre + radius_mm * PointMm{std::cos(a), std::sin(a)};
}

std::vector<Leg> legs(const CutPath& path) {
  std::vector<Leg> out;
  const std::size_t n = path.vertices.size();
  for (std::size_t i = 0; i + (path.closed ? 0 : 1) < n; ++i) {
    const PointMm next = path.vertices[(i + 1) % n].at;
    if (distance(path.vertices[i].at, next) < kLeastLength) continue;
    out.push_back(leg_between(path.vertices[i], next));
  }
  return out;
}

std::vector<ArcVertex> split_arcs(const CutPath& path, double most_sweep_rad) {
  std::vector<ArcVertex> out;
  const std::vector<Leg> all = legs(path);
  for (const Leg& leg : all) {
    const double parts = std::max(1.0, std::ceil(std::abs(leg.sweep_rad) / most_sweep_rad - 1e-9));
    const double bulge = leg.radius_mm == 0 ? 0 : std::tan(leg.sweep_rad / parts / 4);
    for (int k = 0; k < static_cast<int>(parts); ++k) out.push_back({leg.at(k / parts), bulge});
  }
  if (!path.closed && !all.empty()) out.push_back({all.back().end, 0});
  return out;
}

PolygonMm flatten(const CutPath& path, double chord_mm) {
  PolygonMm out;
  const std::vector<Leg> all = legs(path);
  for (const Leg& leg : all) {
    const std::size_t n = chords_of(leg, chord_mm);
    for (std::size_t k = 0; k < n; ++k) {
      out.push_back(leg.at(static_cast<double>(k) / static_cast<double>(n)));
    }
  }
  if (!path.closed && !all.empty()) out.push_back(all.back().end);
  return out;
}

std::size_t count_chords(const CutPath& path, double chord_mm) {
  std::size_t sum = 0;
  for (const Leg& leg : legs(path)) sum += chords_of(leg, chord_mm);
  return sum;
}

Extent extent_of(const CutPath& path) {
  Extent e{path.vertices.front().at, path.vertices.front().at};
  for (const Leg& leg : legs(path)) widen(e, leg);
  return e;
}

double signed_area_mm2(const CutPath& path) {
  if (!path.closed) return 0;
  double twice = 0;
  const PointMm origin = path.vertices.front().at;
  for (const Leg& leg : legs(path)) {
    twice += cross(leg.start - origin, leg.end - origin);
    if (leg.radius_mm == 0) continue;
    twice += leg.radius_mm * leg.radius_mm * (leg.sweep_rad - std::sin(leg.sweep_rad));
  }
  return twice / 2;
}

std::vector<int> nesting(const CutSheet& sheet) {
  const std::size_t n = sheet.paths.size();
  std::vector<PolygonMm> shapes(n);
  std::vector<Extent> extents(n);
  std::vector<double> areas(n, 0);
  std::vector<PointMm> inner(n);
  for (std::size_t i = 0; i < n; ++i) {
    const CutPath& path = sheet.paths[i];
    extents[i] = extent_of(path);
    inner[i] = path.vertices.front().at;
    if (path.vertices.size() == 1) continue;
    shapes[i] = flatten(path, kCoarse);
    areas[i] = std::abs(signed_area_mm2(path));
    inner[i] =
        path.closed ? widest_inside({&shapes[i]}, extents[i], 0).middle : legs(path)[0].at(0.5);
  }
  std::vector<int> around(n, -1);
  for (std::size_t i = 0; i < n; ++i) {
    around[i] = sheet.paths[i].inside_of;
    if (around[i] != -1 || sheet.paths[i].kind == CutKind::film_edge) continue;
    double least = std::numeric_limits<double>::infinity();
    for (std::size_t k = 0; k < n; ++k) {
      if (k == i || sheet.paths[k].kind != CutKind::cut || !sheet.paths[k].closed) continue;
      if (areas[k] <= areas[i] || areas[k] >= least || !within(extents[i], extents[k])) continue;
      if (!contains(shapes[k], inner[i])) continue;
      around[i] = static_cast<int>(k);
      least = areas[k];
    }
  }
  return around;
}

LabelPlace label_place(const CutSheet& sheet, const std::vector<int>& around, std::size_t path) {
  constexpr double kTallest = 12;
  constexpr double kSmallest = 1.5;
  constexpr double kWidthOfCharacter = 0.65;  // of the height, in the widest of the readers' fonts
  const CutPath& p = sheet.paths[path];
  const Extent e = extent_of(p);
  if (p.vertices.size() == 1) return {p.vertices.front().at, kTallest};
  if (!p.closed) return {{(e.low.x + e.high.x) / 2, e.high.y + kTallest}, kTallest};
  std::vector<PolygonMm> shapes{flatten(p, kCoarse)};
  for (std::size_t k = 0; k < around.size(); ++k) {
    if (around[k] == static_cast<int>(path) && sheet.paths[k].closed &&
        sheet.paths[k].vertices.size() > 1) {
      shapes.push_back(flatten(sheet.paths[k], kCoarse));
    }
  }
  std::vector<const PolygonMm*> seen;
  seen.reserve(shapes.size());
  for (const PolygonMm& shape : shapes) seen.push_back(&shape);
  const double tallest = std::clamp(0.2 * e.size().y, kSmallest, kTallest);
  const Room room = widest_inside(seen, e, 1.6 * tallest);
  const double characters =
      static_cast<double>(std::max<std::size_t>(count_characters(clean(p.label, 80)), 1));
  const double fits = 0.8 * room.width / (kWidthOfCharacter * characters);
  return {room.middle, std::clamp(fits, kSmallest, tallest)};
}

// Those who draw arcs make cubics of them, off by 2.7e-4 of the radius for a quarter turn and by
// the sixth power of the sweep below it (Goldapp 1991, Computer Aided Geometric Design 8; from
// memory). A quarter turn at most also keeps the centre where it is: SVG states the radius and two
// ends, and towards half a turn the last digit of the radius would move it.
double most_sweep_rad(double radius_mm) {
  constexpr double kMostOff = 0.005;
  return kPi / 2 * std::min(1.0, std::pow(kMostOff / (2.7e-4 * radius_mm), 1.0 / 6));
}

}  // namespace panecard::film
