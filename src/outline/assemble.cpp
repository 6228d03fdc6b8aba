#include "outline/assemble.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <string>
#include <utility>

namespace panecard::outline {
namespace {

constexpr double kPi = std::numbers::pi;

double degrees(double rad) { return rad * 180 / kPi; }

/// A curve that turns much more sharply than what it joins on both sides, by 15 degrees or more.
bool is_corner(const Chain& chain, std::size_t k) {
  constexpr double kSharper = 3, kLeastTurn_rad = 15 * kPi / 180;
  const std::size_t count = chain.links.size();
  const Link &link = chain.links[k], &before = chain.links[(k + count - 1) % count],
             &after = chain.links[(k + 1) % count];
  const double bend = std::abs(link.curvature);
  return link.kind == PieceKind::arc && bend * link.length_mm >= kLeastTurn_rad &&
         bend > kSharper * std::abs(before.curvature) &&
         bend > kSharper * std::abs(after.curvature);
}

std::size_t steps_on(const Link& link) {
  constexpr double kChordError_mm = 0.01;  // contract 0.05; less, so that the box sees the curve
  constexpr double kOnLine_mm = 4, kOnCurve_mm = 2, kLeast_mm = 0.05;
  double step = kOnLine_mm;
  if (link.kind != PieceKind::line) {
    const double bend = std::abs(link.curvature) + std::abs(link.rate) * link.length_mm / 2;
    step =
        std::clamp(std::sqrt(8 * kChordError_mm / std::max(bend, 1e-12)), kLeast_mm, kOnCurve_mm);
  }
  return static_cast<std::size_t>(std::clamp(std::ceil(link.length_mm / step), 1.0, 1e4));
}

/// Cubic Beziers along a clothoid; for the small turns of each the handles of the circle's own
/// cubic serve within a thousandth of a millimetre.
void add_beziers(const Link& link, std::vector<PointMm>& control) {
  constexpr double kMostTurn_rad = 0.2, kMostLength_mm = 50;
  const double bend = std::abs(link.curvature) + std::abs(link.rate) * link.length_mm / 2;
  const double wanted =
      std::max(bend * link.length_mm / kMostTurn_rad, link.length_mm / kMostLength_mm);
  const int parts = static_cast<int>(std::clamp(std::ceil(wanted), 1.0, 1000.0));
  const double part_mm = link.length_mm / parts;
  LinkPoint from = link_point_at(link, -link.length_mm / 2);
  if (control.empty()) control.push_back(from.place);
  for (int i = 1; i <= parts; ++i) {
    const LinkPoint to = link_point_at(link, -link.length_mm / 2 + i * part_mm);
    const double turn = to.heading_rad - from.heading_rad;
    const double handle = part_mm / 3 * (1 + turn * turn / 48);
    control.push_back(from.place +
                      handle * PointMm{std::cos(from.heading_rad), std::sin(from.heading_rad)});
    control.push_back(to.place -
                      handle * PointMm{std::cos(to.heading_rad), std::sin(to.heading_rad)});
    control.push_back(to.place);
    from = to;
  }
}

Piece piece_of(const Chain& chain, std::size_t k, const CompressedModes& compressed) {
  const Link& link = chain.links[k];
  const auto at = static_cast<Eigen::Index>(6 * k);
  const Eigen::VectorXd lengthens = compressed.modes.row(at + 3),
                        bends = compressed.modes.row(at + 4);
  Piece piece;
  piece.kind = link.kind;
  piece.start = link_point_at(link, -link.length_mm / 2).place;
  piece.end = link_point_at(link, link.length_mm / 2).place;
  piece.length_mm = dimension(link.length_mm, lengthens, compressed.shares);
  piece.corner = is_corner(chain, k);
  if (link.kind == PieceKind::free) add_beziers(link, piece.control);
  if (link.kind != PieceKind::arc) return piece;
  const double bend = link.curvature;
  piece.radius_mm = 1 / bend;
  piece.sweep_rad = bend * link.length_mm;
  piece.centre =
      link.middle + (1 / bend) * PointMm{-std::sin(link.heading_rad), std::cos(link.heading_rad)};
  piece.radius = dimension(std::abs(1 / bend), bends / (bend * bend), compressed.shares);
  const double half = piece.sweep_rad / 2;
  const double by_bend =
      (std::sin(half) * half - (1 - std::cos(half))) / (bend * bend);  // d(sagitta)/d(curvature)
  piece.sagitta_mm = dimension((1 - std::cos(half)) / bend,
                               by_bend * bends + std::sin(half) / 2 * lengthens, compressed.shares);
  const Eigen::VectorXd turns = bend * lengthens + link.length_mm * bends;
  if (piece.corner) {
    piece.angle_deg =
        dimension(180 - degrees(piece.sweep_rad), turns * (180 / kPi), compressed.shares);
  }
  return piece;
}

void name_pieces(std::vector<Piece>& pieces) {
  int edge = 0, corner = 0;
  for (Piece& piece : pieces) {
    if (!piece.corner) {
      piece.name = "edge " + std::to_string(++edge);
      continue;
    }
    std::string letters;  // A .. Z, AA, AB ..
    for (int k = corner++; k >= 0; k = k / 26 - 1) {
      letters.insert(letters.begin(), static_cast<char>('A' + k % 26));
    }
    piece.name = "corner " + letters;
  }
}

/// Pixels and visibility of the outline's points, from the nearest place on the contour.
/// @param near  per outline point, a contour point close to it
void transfer_from_contour(const Contour& c, const std::vector<std::size_t>& near,
                           Outline& outline) {
  const std::size_t n = c.points.size(), m = outline.points.size();
  const PixelMap pixels(c);
  outline.seen.resize(m);
  outline.points_px.resize(c.points_px.empty() ? 0 : m);
  for (std::size_t i = 0; i < m; ++i) {
    const PointMm p = outline.points[i];
    std::size_t before = near[i];
    double least = 1e300, t = 0;
    for (std::size_t k = 0; k < 7; ++k) {
      const std::size_t j = (near[i] + n + k - 3) % n;
      const PointMm a = c.points[j], along = c.points[(j + 1) % n] - a;
      const double at =
          std::clamp(dot(p - a, along) / std::max(dot(along, along), 1e-12), 0.0, 1.0);
      const double away = distance(p, a + at * along);
      if (away < least) least = away, before = j, t = at;
    }
    outline.seen[i] = c.seen.empty() || c.seen[t < 0.5 ? before : (before + 1) % n];
    if (!c.points_px.empty()) outline.points_px[i] = pixels.at(p, before, t);
  }
  const auto seen = static_cast<double>(std::count(c.seen.begin(), c.seen.end(), true));
  outline.seen_fraction = c.seen.empty() ? 1 : seen / static_cast<double>(n);
}

/// Between opposite corners: the longest distance from one rounding to the other.
void add_diagonals(const ShapeModes& shape_modes, const std::vector<bool>& kinks,
                   Outline& outline) {
  std::vector<std::vector<std::size_t>> corners;
  const std::size_t m = outline.points.size();
  int edges = 0;
  for (std::size_t k = 0; k < outline.pieces.size(); ++k) {
    const Piece& piece = outline.pieces[k];
    edges += piece.corner ? 0 : 1;
    if (!piece.corner && !kinks[k]) continue;
    corners.emplace_back();
    std::size_t i = piece.corner ? piece.first : piece.last;
    for (; i != piece.last; i = (i + 1) % m) corners.back().push_back(i);
    corners.back().push_back(piece.last);
  }
  if (corners.size() != 4 || edges < 4) return;
  outline.diagonals_mm = {longest_between(outline, shape_modes, corners[0], corners[2]),
                          longest_between(outline, shape_modes, corners[1], corners[3])};
}

/// box_choice is a source of the box's sides only: the other dimensions get a zero part for it.
void complete_parts(Outline& outline) {
  const auto complete = [&](Dimension& d) { d.parts.resize(outline.sources.size(), 0.0); };
  for (Dimension* d :
       {&outline.long_mm, &outline.short_mm, &outline.area_mm2, &outline.perimeter_mm}) {
    complete(*d);
  }
  for (Dimension& d : outline.diagonals_mm) complete(d);
  for (Piece& p : outline.pieces) {
    for (Dimension* d : {&p.length_mm, &p.radius, &p.angle_deg, &p.sagitta_mm}) complete(*d);
  }
}

constexpr std::size_t kPointsPerKnot = 4;

/// Catmull-Rom curve through `p`, kPointsPerKnot points for each knot.
PolygonMm catmull_rom(const PolygonMm& p) {
  PolygonMm result;
  const std::size_t count = p.size();
  for (std::size_t k = 0; k < count; ++k) {
    const PointMm a = p[(k + count - 1) % count], b = p[k], d = p[(k + 1) % count],
                  e = p[(k + 2) % count];
    for (std::size_t q = 0; q < kPointsPerKnot; ++q) {
      const double t = static_cast<double>(q) / kPointsPerKnot, t2 = t * t, t3 = t2 * t;
      result.push_back(0.5 * ((-t3 + 2 * t2 - t) * a + (3 * t3 - 5 * t2 + 2) * b +
                              (-3 * t3 + 4 * t2 + t) * d + (t3 - t2) * e));
    }
  }
  return result;
}

/// The same curve as cubic Beziers.
Piece free_piece(const PolygonMm& knots) {
  Piece piece;
  piece.kind = PieceKind::free;
  piece.name = "edge 1";
  piece.start = piece.end = knots[0];
  piece.control.push_back(knots[0]);
  const std::size_t count = knots.size();
  for (std::size_t k = 0; k < count; ++k) {
    const PointMm a = knots[(k + count - 1) % count], b = knots[k], d = knots[(k + 1) % count],
                  e = knots[(k + 2) % count];
    piece.control.push_back(b + (1.0 / 6) * (d - a));
    piece.control.push_back(d - (1.0 / 6) * (e - b));
    piece.control.push_back(d);
  }
  return piece;
}

}  // namespace

void start_lower_left(Chain& chain) {
  const std::size_t count = chain.links.size();
  std::size_t best = 0;
  double lowest = 0;
  bool found = false;
  for (const bool after_corner : {true, false}) {
    for (std::size_t k = 0; k < count; ++k) {
      const std::size_t before = (k + count - 1) % count;
      const bool fits =
          !is_corner(chain, k) && (is_corner(chain, before) || chain.links[before].kink_after);
      if (after_corner && !fits) continue;
      const PointMm start = link_point_at(chain.links[k], -chain.links[k].length_mm / 2).place;
      if (!found || start.x + start.y < lowest) best = k, lowest = start.x + start.y;
      found = true;
    }
    if (found) break;
  }
  std::rotate(chain.links.begin(), chain.links.begin() + static_cast<std::ptrdiff_t>(best),
              chain.links.end());
}

Outline outline_of(const Contour& c, const Chain& chain, const CompressedModes& compressed) {
  Outline outline;
  outline.sources = compressed.sources;
  const std::size_t n = c.points.size(), count = chain.links.size();
  ShapeModes shape_modes{std::vector<PolygonMm>(static_cast<std::size_t>(compressed.modes.cols())),
                         compressed.shares};
  std::vector<std::size_t> near;
  std::vector<bool> kinks;
  for (std::size_t k = 0; k < count; ++k) {
    const Link& link = chain.links[k];
    Piece piece = piece_of(chain, k, compressed);
    const std::size_t steps = steps_on(link);
    const std::size_t many = (chain.links[(k + 1) % count].first + n - link.first) % n;
    std::size_t seen = 0;
    for (std::size_t j = 0; j < many; ++j) {
      seen += c.seen.empty() || c.seen[(link.first + j) % n] ? 1 : 0;
    }
    piece.seen = many == 0 || 2 * seen >= many;
    piece.first = outline.points.size();
    std::size_t foot = 0;
    for (std::size_t j = 0; j < steps; ++j) {
      const double part = static_cast<double>(j) / static_cast<double>(steps) - 0.5;
      const LinkPoint point = link_point_at(link, part * link.length_mm);
      const PointMm along{std::cos(point.heading_rad), std::sin(point.heading_rad)};
      Eigen::Matrix<double, 2, 6> d_place = point.d_place;
      d_place.col(3) = part * Eigen::Vector2d(along.x, along.y);
      const Eigen::MatrixXd shift =
          d_place * compressed.modes.middleRows<6>(static_cast<Eigen::Index>(6 * k));
      for (std::size_t q = 0; q < shape_modes.modes.size(); ++q) {
        const auto col = static_cast<Eigen::Index>(q);
        shape_modes.modes[q].push_back({shift(0, col), shift(1, col)});
      }
      while (foot + 1 < many &&
             dot(along, c.points[(link.first + foot + 1) % n] - point.place) <= 0) {
        ++foot;
      }
      near.push_back((link.first + foot) % n);
      outline.points.push_back(point.place);
    }
    outline.pieces.push_back(std::move(piece));
    kinks.push_back(link.kink_after);
  }
  for (std::size_t k = 0; k < count; ++k) {
    outline.pieces[k].last = outline.pieces[(k + 1) % count].first;
  }
  name_pieces(outline.pieces);
  measure_shape(shape_modes, outline);
  transfer_from_contour(c, near, outline);
  add_diagonals(shape_modes, kinks, outline);
  complete_parts(outline);
  return outline;
}

Outline free_outline(const Contour& c, double perimeter, double observation) {
  Outline outline;
  const std::size_t n = c.points.size();
  const double spacing = perimeter / static_cast<double>(n);
  const auto group = std::clamp<std::size_t>(static_cast<std::size_t>(observation / 2 / spacing), 1,
                                             std::max<std::size_t>(1, n / 12));
  const std::size_t count = std::max<std::size_t>(1, n / group);
  const auto means = [&](const PolygonMm& values) {
    PolygonMm result(count);
    for (std::size_t k = 0; k < count; ++k) {
      const std::size_t from = k * n / count, to = (k + 1) * n / count;
      for (std::size_t i = from; i < to; ++i) {
        result[k] = result[k] + (1.0 / static_cast<double>(to - from)) * values[i];
      }
    }
    return result;
  };
  const PolygonMm knots = means(c.points);
  outline.points = catmull_rom(knots);
  SourceIndex index = source_index(c);
  ShapeModes shape_modes;  // modes of the means are means of the modes
  for (const PolygonMm& mode : modes_with_noise(c, index)) {
    shape_modes.modes.push_back(catmull_rom(means(mode)));
  }
  shape_modes.shares = one_source_each(index);
  outline.sources = index.sources;
  outline.pieces.push_back(free_piece(knots));
  measure_shape(shape_modes, outline);
  outline.pieces[0].length_mm = outline.perimeter_mm;
  std::vector<std::size_t> near;
  for (std::size_t i = 0; i < outline.points.size(); ++i) {
    const std::size_t k = i / kPointsPerKnot, from = k * n / count, to = (k + 1) * n / count;
    near.push_back(((from + to) / 2 + i % kPointsPerKnot * (to - from) / kPointsPerKnot) % n);
  }
  transfer_from_contour(c, near, outline);
  outline.pieces[0].seen = 2 * outline.seen_fraction >= 1;
  complete_parts(outline);
  return outline;
}

}  // namespace panecard::outline
