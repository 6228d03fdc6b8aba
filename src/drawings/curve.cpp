#include "drawings/curve.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

namespace panecard::drawings {
namespace {

using outline::Outline;
using outline::Piece;
using outline::PieceKind;

constexpr double kMostSweep = 0.9 * std::numbers::pi;
constexpr double kMostChords = 4096;

std::vector<Segment> whole(const Piece& piece, std::size_t index) {
  Segment s;
  s.kind = piece.kind;
  s.start = piece.start;
  s.end = piece.end;
  s.piece = index;
  s.seen = piece.seen;
  std::vector<Segment> out;
  if (piece.kind == PieceKind::arc) {
    const PointMm arm = piece.start - piece.centre;
    const double begin = std::atan2(arm.y, arm.x);
    const int turns =
        static_cast<int>(std::clamp(std::ceil(std::abs(piece.sweep_rad) / kMostSweep), 1.0, 8.0));
    s.centre = piece.centre;
    s.radius_mm = norm(arm);
    s.sweep_rad = piece.sweep_rad / turns;
    for (int k = 0; k < turns; ++k) {
      s.start_rad = begin + k * s.sweep_rad;
      s.end = k + 1 < turns ? point_at(s, 1) : piece.end;
      out.push_back(s);
      s.start = s.end;
    }
  } else if (piece.kind == PieceKind::free && piece.control.size() >= 4) {
    for (std::size_t k = 0; k + 3 < piece.control.size(); k += 3) {
      s.start = piece.control[k];
      s.a = piece.control[k + 1];
      s.b = piece.control[k + 2];
      s.end = piece.control[k + 3];
      out.push_back(s);
    }
  } else {
    s.kind = PieceKind::line;
    out.push_back(s);
  }
  return out;
}

PointMm mix(PointMm p, PointMm q, double t) { return p + t * (q - p); }

// Blossom of a cubic (Ramshaw 1987): the control points of any stretch of it.
PointMm blossom(const Segment& s, double t, double u, double v) {
  const PointMm p = mix(s.start, s.a, t);
  const PointMm q = mix(s.a, s.b, t);
  const PointMm r = mix(s.b, s.end, t);
  return mix(mix(p, q, u), mix(q, r, u), v);
}

Segment stretch_of(const Segment& s, double t, double u) {
  Segment out = s;
  out.start = t > 0 ? point_at(s, t) : s.start;
  out.end = u < 1 ? point_at(s, u) : s.end;
  if (s.kind == PieceKind::free) {
    out.a = blossom(s, t, t, u);
    out.b = blossom(s, t, u, u);
  } else if (s.kind == PieceKind::arc) {
    out.start_rad = s.start_rad + t * s.sweep_rad;
    out.sweep_rad = (u - t) * s.sweep_rad;
  }
  return out;
}

// Where along the piece (segment number + t) a point of the outline lies.
double place(const std::vector<Segment>& parts, PointMm p) {
  constexpr int kSamples = 32;
  double best = std::numeric_limits<double>::infinity();
  double found = 0;
  for (std::size_t k = 0; k < parts.size(); ++k) {
    PointMm before = parts[k].start;
    for (int i = 1; i <= kSamples; ++i) {
      const PointMm after = point_at(parts[k], static_cast<double>(i) / kSamples);
      const PointMm step = after - before;
      const double length2 = std::max(dot(step, step), 1e-12);
      const double along = std::clamp(dot(p - before, step) / length2, 0.0, 1.0);
      const double d = distance(p, before + along * step);
      if (d < best) {
        best = d;
        found = static_cast<double>(k) + (i - 1 + along) / kSamples;
      }
      before = after;
    }
  }
  return found;
}

struct Cut {
  double at;
  bool seen_before;
};

std::vector<Cut> cuts(const Outline& o, const Piece& piece, const std::vector<Segment>& parts) {
  std::vector<Cut> out;
  const std::size_t n = o.points.size();
  const double end = static_cast<double>(parts.size());
  std::size_t i = piece.first % n;
  double behind = 0;
  for (std::size_t guard = 0; guard < n && i != piece.last % n; ++guard) {
    const std::size_t next = (i + 1) % n;
    if (o.seen[i] != o.seen[next]) {
      const double at = (place(parts, o.points[i]) + place(parts, o.points[next])) / 2;
      behind = std::clamp(at, behind, end);
      out.push_back({behind, o.seen[i]});
    }
    i = next;
  }
  out.push_back({end, o.seen[i]});
  return out;
}

void append_split(const Outline& o, const Piece& piece, std::size_t index,
                  std::vector<Segment>& out) {
  const std::vector<Segment> parts = whole(piece, index);
  if (o.points.empty() || o.seen.size() != o.points.size()) {
    out.insert(out.end(), parts.begin(), parts.end());
    return;
  }
  double from = 0;
  for (const Cut& cut : cuts(o, piece, parts)) {
    while (from < cut.at) {
      const double k = std::floor(from);
      const double to = std::min(cut.at, k + 1);
      if (to - from > 1e-9) {
        Segment s = stretch_of(parts[static_cast<std::size_t>(k)], from - k, to - k);
        s.seen = cut.seen_before;
        out.push_back(s);
      }
      from = to;
    }
  }
}

}  // namespace

std::vector<Segment> segments(const Outline& outline) {
  std::vector<Segment> out;
  for (std::size_t i = 0; i < outline.pieces.size(); ++i) {
    append_split(outline, outline.pieces[i], i, out);
  }
  if (!out.empty()) return out;
  const std::size_t n = outline.points.size();
  for (std::size_t i = 0; i < n; ++i) {
    Segment s;
    s.start = outline.points[i];
    s.end = outline.points[(i + 1) % n];
    s.seen = outline.seen.size() != n || (outline.seen[i] && outline.seen[(i + 1) % n]);
    out.push_back(s);
  }
  return out;
}

PointMm point_at(const Segment& s, double t) {
  switch (s.kind) {
    case PieceKind::line:
      return mix(s.start, s.end, t);
    case PieceKind::free:
      return blossom(s, t, t, t);
    case PieceKind::arc:
      break;
  }
  const double angle = s.start_rad + t * s.sweep_rad;
  return s.centre + s.radius_mm * PointMm{std::cos(angle), std::sin(angle)};
}

PolygonMm flatten(const Segment& s, double chord_error_mm) {
  double chords = 1;
  if (s.kind == PieceKind::arc && s.radius_mm > chord_error_mm) {
    chords = std::abs(s.sweep_rad) / (2 * std::acos(1 - chord_error_mm / s.radius_mm));
  } else if (s.kind == PieceKind::free) {
    // A chord over dt errs by at most |B''| dt^2 / 8, and |B''| <= 6 max |second differences|.
    const double bend = std::max(norm(s.start - 2 * s.a + s.b), norm(s.a - 2 * s.b + s.end));
    chords = std::sqrt(6 * bend / (8 * chord_error_mm));
  }
  const int n = static_cast<int>(std::clamp(std::ceil(chords), 1.0, kMostChords));
  PolygonMm out{s.start};
  for (int i = 1; i < n; ++i) out.push_back(point_at(s, static_cast<double>(i) / n));
  out.push_back(s.end);
  return out;
}

std::vector<SegmentRange> bridged(const std::vector<Segment>& all) {
  const std::size_t n = all.size();
  std::vector<SegmentRange> out;
  std::size_t start = 0;
  while (start < n && !all[start].seen) ++start;
  if (start == n && n > 0) return {{0, n - 1}};
  for (std::size_t k = 0; k < n; ++k) {
    const std::size_t i = (start + k) % n;
    if (all[i].seen) continue;
    if (all[(i + n - 1) % n].seen) {
      out.push_back({i, i});
    } else {
      out.back().last = i;
    }
  }
  return out;
}

PolygonMm corners(const OrientedBox& box) {
  const PointMm u = {std::cos(box.angle_rad), std::sin(box.angle_rad)};
  const PointMm along = box.long_mm / 2 * u;
  const PointMm across = box.short_mm / 2 * PointMm{-u.y, u.x};
  return {box.centre - along - across, box.centre + along - across, box.centre + along + across,
          box.centre - along + across};
}

PagePoint Placement::operator()(PointMm p) const {
  const double c = std::cos(turn_rad);
  const double s = std::sin(turn_rad);
  return {origin.x + scale * (c * p.x - s * p.y), origin.y - scale * (s * p.x + c * p.y)};
}

void Placement::append(Path& path, const Segment& s) const {
  const Placement& page = *this;
  switch (s.kind) {
    case PieceKind::line:
      path.line(page(s.end));
      break;
    case PieceKind::arc:
      path.arc(page(s.centre), page(s.end), s.sweep_rad < 0);
      break;
    case PieceKind::free:
      path.cubic(page(s.a), page(s.b), page(s.end));
      break;
  }
}

}  // namespace panecard::drawings
