#include "support/pane_shape.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>

namespace panecard::support {
namespace {

PointMm unit(PointMm a) { return (1 / norm(a)) * a; }
PointMm right_of(PointMm a) { return {a.y, -a.x}; }  // outwards on a counter-clockwise outline

/// An unbounded line or circle: what an edge lies on before its corners are rounded.
struct Carrier {
  PointMm on, normal;  // line
  PointMm centre;      // circle
  double radius_mm = 0, bend = 1;

  double distance(PointMm p) const {
    return radius_mm > 0 ? bend * (norm(p - centre) - radius_mm) : dot(p - on, normal);
  }
  PointMm outward(PointMm p) const { return radius_mm > 0 ? bend * unit(p - centre) : normal; }
};

Carrier carrier_of(PointMm a, PointMm b, double sagitta_mm) {
  Carrier c;
  c.on = a;
  c.normal = right_of(unit(b - a));
  if (sagitta_mm == 0) return c;
  const double half = norm(b - a) / 2;
  c.radius_mm = (half * half + sagitta_mm * sagitta_mm) / (2 * std::abs(sagitta_mm));
  c.bend = sagitta_mm > 0 ? 1 : -1;
  const PointMm middle = 0.5 * (a + b);
  c.centre = middle + (sagitta_mm - c.bend * c.radius_mm) * c.normal;
  return c;
}

/// The centre of the circle of `radius_mm` that touches both carriers from inside.
PointMm corner_centre(const Carrier& a, const Carrier& b, PointMm corner, double radius_mm) {
  PointMm p = corner - radius_mm * (a.outward(corner) + b.outward(corner));
  for (int i = 0; i < 50; ++i) {
    const PointMm na = a.outward(p), nb = b.outward(p);
    Eigen::Matrix2d jacobian;
    jacobian << na.x, na.y, nb.x, nb.y;
    const Eigen::Vector2d miss(a.distance(p) + radius_mm, b.distance(p) + radius_mm);
    const Eigen::Vector2d step = jacobian.inverse() * miss;
    p = p - PointMm{step.x(), step.y()};
    if (step.norm() < 1e-9) return p;
  }
  throw std::logic_error("a pane's corner does not fit between its edges");
}

double arc_angle(const ShapePiece& piece, PointMm p) {
  const PointMm from = piece.start - piece.centre, to = p - piece.centre;
  return piece.bend * std::atan2(cross(from, to), dot(from, to));
}

}  // namespace

PaneShape::PaneShape(const std::vector<Vertex>& vertices) {
  const std::size_t n = vertices.size();
  std::vector<Carrier> edges;
  for (std::size_t i = 0; i < n; ++i) {
    edges.push_back(carrier_of(vertices[i].at, vertices[(i + 1) % n].at, vertices[i].sagitta_mm));
  }
  std::vector<PointMm> centres, enters, leaves;
  for (std::size_t i = 0; i < n; ++i) {
    const Carrier &in = edges[(i + n - 1) % n], &out = edges[i];
    const double r = vertices[i].radius_mm;
    centres.push_back(corner_centre(in, out, vertices[i].at, r));
    enters.push_back(centres[i] + r * in.outward(centres[i]));
    leaves.push_back(centres[i] + r * out.outward(centres[i]));
  }
  for (std::size_t i = 0; i < n; ++i) {
    pieces_.push_back({enters[i], leaves[i], centres[i], vertices[i].radius_mm, 1});
    pieces_.push_back(
        {leaves[i], enters[(i + 1) % n], edges[i].centre, edges[i].radius_mm, edges[i].bend});
  }
  for (ShapePiece& piece : pieces_) {
    piece.arc_start_mm = perimeter_mm_;
    piece.length_mm = piece.radius_mm > 0 ? piece.radius_mm * arc_angle(piece, piece.end)
                                          : distance(piece.start, piece.end);
    if (piece.length_mm <= 0) throw std::logic_error("a pane's corners overlap");
    perimeter_mm_ += piece.length_mm;
  }
}

bool PaneShape::measure(const ShapePiece& piece, PointMm p, Place& out) const {
  if (piece.radius_mm > 0) {
    const PointMm v = p - piece.centre;
    if (piece.bend * cross(piece.start - piece.centre, v) < 0 ||
        piece.bend * cross(v, piece.end - piece.centre) < 0) {
      return false;
    }
    const double r = std::sqrt(dot(v, v));
    if (r == 0) return false;
    out.distance_mm = piece.bend * (r - piece.radius_mm);
    out.normal = (piece.bend / r) * v;
    return true;
  }
  const PointMm along = (1 / piece.length_mm) * (piece.end - piece.start);
  const double t = dot(p - piece.start, along);
  if (t < 0 || t > piece.length_mm) return false;
  out.normal = right_of(along);
  out.distance_mm = dot(p - piece.start, out.normal);
  return true;
}

Place PaneShape::place(PointMm p, const std::vector<std::uint8_t>& candidates) const {
  Place best;
  best.distance_mm = std::numeric_limits<double>::infinity();
  const std::size_t n = candidates.empty() ? pieces_.size() : candidates.size();
  for (std::size_t i = 0; i < n; ++i) {
    Place here;
    here.piece = candidates.empty() ? static_cast<int>(i) : candidates[i];
    if (measure(pieces_[static_cast<std::size_t>(here.piece)], p, here) &&
        std::abs(here.distance_mm) < std::abs(best.distance_mm)) {
      best = here;
    }
  }
  return best;
}

double PaneShape::arc_length_mm(PointMm p, int index) const {
  const ShapePiece& piece = pieces_[static_cast<std::size_t>(index)];
  if (piece.radius_mm > 0) return piece.arc_start_mm + piece.radius_mm * arc_angle(piece, p);
  return piece.arc_start_mm + dot(p - piece.start, piece.end - piece.start) / piece.length_mm;
}

PolygonMm PaneShape::polygon(double inset_mm, double chord_mm) const {
  PolygonMm out;
  for (const ShapePiece& piece : pieces_) {
    int steps = std::max(1, static_cast<int>(std::ceil(piece.length_mm / 2)));
    if (piece.radius_mm > 0) {
      const double angle = piece.length_mm / piece.radius_mm;
      steps = std::max(
          steps, static_cast<int>(std::ceil(angle / std::sqrt(8 * chord_mm / piece.radius_mm))));
    }
    for (int i = 0; i < steps; ++i) {
      const double t = static_cast<double>(i) / steps;
      PointMm p = piece.start + t * (piece.end - piece.start);
      PointMm normal = right_of(unit(piece.end - piece.start));
      if (piece.radius_mm > 0) {
        const double a = piece.bend * t * piece.length_mm / piece.radius_mm;
        const PointMm v = unit(piece.start - piece.centre);
        const PointMm w = {std::cos(a) * v.x - std::sin(a) * v.y,
                           std::sin(a) * v.x + std::cos(a) * v.y};
        p = piece.centre + piece.radius_mm * w;
        normal = piece.bend * w;
      }
      const PointMm q = p - inset_mm * normal;
      if (inset_mm == 0 || std::abs(place(q).distance_mm + inset_mm) < 1e-6) out.push_back(q);
    }
  }
  return out;
}

}  // namespace panecard::support
