#include "layout/no_fit.h"

#include <algorithm>
#include <clipper.hpp>
#include <cmath>
#include <limits>
#include <numbers>

// A second copy for machines with wider vectors; the same operations in the same order, the same
// bits.
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && \
    !defined(__SANITIZE_ADDRESS__)
#define PANECARD_WIDE __attribute__((target_clones("avx2", "default")))
#else
#define PANECARD_WIDE
#endif

namespace panecard::layout {
namespace {

namespace cl = ClipperLib;

// Lanes of one vector operation, split by the compiler where the machine has narrower ones.
constexpr std::size_t kLanes = 8;
using Floats = float __attribute__((vector_size(4 * kLanes), aligned(4), may_alias));
using Ints = int __attribute__((vector_size(4 * kLanes)));

PolygonMm negated(const PolygonMm& points) {
  PolygonMm out;
  out.reserve(points.size());
  for (const PointMm p : points) out.push_back({-p.x, -p.y});
  return out;
}

std::size_t lowest(const PolygonMm& points) {
  std::size_t at = 0;
  for (std::size_t i = 1; i < points.size(); ++i) {
    const PointMm p = points[i], q = points[at];
    if (p.y < q.y || (p.y == q.y && p.x < q.x)) at = i;
  }
  return at;
}

/// Sum of two convex counter-clockwise polygons: their edges merged by direction.
PolygonMm convex_sum(const PolygonMm& a, const PolygonMm& b) {
  const std::size_t start_a = lowest(a), start_b = lowest(b);
  const auto at = [](const PolygonMm& p, std::size_t i) { return p[i % p.size()]; };
  PolygonMm out;
  std::size_t i = 0, j = 0;
  while (i < a.size() || j < b.size()) {
    const PointMm pa = at(a, start_a + i), pb = at(b, start_b + j);
    out.push_back(pa + pb);
    const PointMm da = at(a, start_a + i + 1) - pa, db = at(b, start_b + j + 1) - pb;
    const double turn = j == b.size() ? 1 : i == a.size() ? -1 : cross(da, db);
    i += turn >= 0 ? 1 : 0;
    j += turn <= 0 ? 1 : 0;
  }
  return out;
}

/// Whether `p` can be dropped: it lies on the segment from `a` to `b`, or it is the tip of a spike
/// of zero width, which rounding leaves where edges of a union coincide.
bool redundant(PointMm a, PointMm p, PointMm b, double tolerance) {
  const PointMm to = p - a, from = b - p;
  if (norm(to) <= tolerance) return true;
  const double scale = dot(to, from) >= 0 ? norm(b - a) : std::max(norm(to), norm(from));
  return std::abs(cross(to, from)) <= tolerance * scale;
}

PolygonMm without_flat_points(PolygonMm in, double tolerance) {
  for (bool changed = true; changed;) {
    PolygonMm out;
    for (std::size_t i = 0; i < in.size(); ++i) {
      const PointMm before = out.empty() ? in.back() : out.back();
      if (!redundant(before, in[i], in[(i + 1) % in.size()], tolerance)) out.push_back(in[i]);
    }
    changed = out.size() < in.size();
    in = std::move(out);
  }
  return in;
}

double direction(PointMm v) { return std::atan2(v.y, v.x); }

/// The convolution of two polygons (Guibas, Ramshaw, Stolfi 1983): every edge of each polygon at
/// every corner of the other whose turn contains the edge's direction, reversed where the corner is
/// concave. The edges form closed curves. Their winding number around a position is the number of
/// separate overlaps there. A vertex is a pair of corners, numbered i * b.size() + j.
class Convolution {
 public:
  Convolution(const PolygonMm& a, const PolygonMm& b) : a_(a), b_(b), next_(a.size() * b.size()) {
    const std::vector<double> along_a = directions(a), along_b = directions(b);
    for (std::size_t i = 0; i < a.size(); ++i) {
      for (std::size_t j = 0; j < b.size(); ++j) {
        const double in_a = along_a[(i + a.size() - 1) % a.size()],
                     in_b = along_b[(j + b.size() - 1) % b.size()];
        // Of equal directions b's counts as the later one.
        add(passes(in_a, along_a[i], [&](double d) { return along_b[j] >= d; }), node(i, j),
            node(i, j + 1));
        add(passes(in_b, along_b[j], [&](double d) { return along_a[i] > d; }), node(i, j),
            node(i + 1, j));
      }
    }
  }

  std::vector<PolygonMm> loops() {
    std::vector<PolygonMm> out;
    for (std::size_t start = 0; start < next_.size(); ++start) {
      while (!next_[start].empty()) {
        PolygonMm loop;
        for (std::size_t at = start; !next_[at].empty();) {
          loop.push_back(a_[at / b_.size()] + b_[at % b_.size()]);
          const std::size_t to = next_[at].back();
          next_[at].pop_back();
          at = to;
        }
        out.push_back(std::move(loop));
      }
    }
    return out;
  }

 private:
  static std::vector<double> directions(const PolygonMm& p) {
    std::vector<double> out;
    for (std::size_t i = 0; i < p.size(); ++i) {
      out.push_back(direction(p[(i + 1) % p.size()] - p[i]));
    }
    return out;
  }

  std::size_t node(std::size_t i, std::size_t j) const {
    return i % a_.size() * b_.size() + j % b_.size();
  }

  /// 1 when the corner from `in` to `out` turns left past a direction, -1 when right, else 0.
  /// @param beyond  whether the direction comes after an angle
  template <typename Beyond>
  static int passes(double in, double out, const Beyond& beyond) {
    double turn = out - in;
    if (turn > std::numbers::pi) turn -= 2 * std::numbers::pi;
    if (turn <= -std::numbers::pi) turn += 2 * std::numbers::pi;
    const double from = turn > 0 ? in : out, to = turn > 0 ? out : in;
    const bool within = from <= to ? beyond(from) && !beyond(to) : beyond(from) || !beyond(to);
    return within ? (turn > 0 ? 1 : -1) : 0;
  }

  void add(int sign, std::size_t from, std::size_t to) {
    if (sign > 0) next_[from].push_back(to);
    if (sign < 0) next_[to].push_back(from);
  }

  const PolygonMm &a_, &b_;
  std::vector<std::vector<std::size_t>> next_;
};

std::vector<PolygonMm> positive_union(const std::vector<PolygonMm>& parts, double size) {
  constexpr double kSteps = 4e8;  // Clipper's fast range is 2^30
  const double scale = kSteps / size;
  cl::Paths paths;
  for (const PolygonMm& part : parts) {
    cl::Path path;
    for (const PointMm p : part) {
      path.emplace_back(std::llround(p.x * scale), std::llround(p.y * scale));
    }
    paths.push_back(std::move(path));
  }
  cl::Clipper clipper;
  clipper.AddPaths(paths, cl::ptSubject, true);
  clipper.Execute(cl::ctUnion, paths, cl::pftPositive, cl::pftPositive);
  std::vector<PolygonMm> loops;
  for (const cl::Path& path : paths) {
    PolygonMm loop;
    for (const cl::IntPoint p : path) {
      loop.push_back({static_cast<double>(p.X) / scale, static_cast<double>(p.Y) / scale});
    }
    // Far above the grid, far below what film shows.
    loop = without_flat_points(loop, 1e-8 * size);
    // A hole thinner than the rounding holds no position, but its edges would give false depths.
    if (loop.size() < 3 || std::abs(signed_area_mm2(loop)) < 1e-6 * size * perimeter_mm(loop)) {
      continue;
    }
    loops.push_back(std::move(loop));
  }
  return loops;
}

}  // namespace

NoFitPolygon::NoFitPolygon(const Form& fixed, const Form& moving, int grid) {
  convex_ = fixed.convex && moving.convex;
  const double size = fixed.width + fixed.height + moving.width + moving.height;
  // A repeated point would be an edge without direction.
  const PolygonMm still = without_flat_points(fixed.points, 0),
                  turned = without_flat_points(negated(moving.points), 0);
  if (convex_) {
    loops_ = {without_flat_points(convex_sum(still, turned), 1e-12 * size)};
  } else {
    loops_ = positive_union(Convolution(still, turned).loops(), size);
  }
  store();
  if (grid > 1 && (!convex_ || edges_.x.size() > 2 * kLanes)) fill_grid(fixed, moving, grid);
}

void NoFitPolygon::store() {
  const auto push = [&](PointMm a, PointMm b) {
    const auto x = static_cast<float>(a.x), y = static_cast<float>(a.y);
    const auto end_x = static_cast<float>(b.x), end_y = static_cast<float>(b.y);
    const float dx = end_x - x, dy = end_y - y, length2 = dx * dx + dy * dy;
    edges_.x.push_back(x), edges_.y.push_back(y);
    edges_.dx.push_back(dx), edges_.dy.push_back(dy);
    edges_.end_y.push_back(end_y);
    edges_.inverse.push_back(length2 > 0 ? 1 / length2 : 0);
    edges_.inverse_length.push_back(length2 > 0 ? 1 / std::sqrt(length2) : 0);
  };
  for (const PolygonMm& loop : loops_) {
    for (std::size_t i = 0; i < loop.size(); ++i) push(loop[i], loop[(i + 1) % loop.size()]);
  }
  while (!edges_.x.empty() && edges_.x.size() % kLanes != 0) {
    for (auto* v : {&edges_.x, &edges_.y, &edges_.dx, &edges_.dy, &edges_.end_y, &edges_.inverse,
                    &edges_.inverse_length}) {
      v->push_back(v->back());
    }
    // A repeated edge would count twice in the winding; its line is no obstacle.
    edges_.end_y.back() = edges_.y.back();
  }
}

namespace {

/// A reference: vectors wider than the machine's are not passed by value.
const Floats& load(const std::vector<float>& from, std::size_t i) {
  return *reinterpret_cast<const Floats*>(from.data() + i);
}

float least(const Floats& v) {
  float out = v[0];
  for (std::size_t i = 1; i < kLanes; ++i) out = std::min(out, v[i]);
  return out;
}

}  // namespace

PANECARD_WIDE float NoFitPolygon::depth_convex(float x, float y) const {
  const Floats zero = {};
  Floats nearest = zero + std::numeric_limits<float>::max();
  for (std::size_t i = 0; i < edges_.x.size(); i += kLanes) {
    const Floats dx = load(edges_.dx, i), dy = load(edges_.dy, i);
    const Floats vx = x - load(edges_.x, i), vy = y - load(edges_.y, i);
    const Floats inside = (dx * vy - dy * vx) * load(edges_.inverse_length, i);
    nearest = inside < nearest ? inside : nearest;
    const Ints out = inside <= zero;
    int any = 0;
    for (std::size_t k = 0; k < kLanes; ++k) any |= out[k];
    if (any != 0) return 0;
  }
  return least(nearest);
}

PANECARD_WIDE float NoFitPolygon::signed_depth(float x, float y) const {
  const Floats zero = {}, one = zero + 1.0F;
  Floats nearest = zero + std::numeric_limits<float>::max();
  Ints winding = {};
  for (std::size_t i = 0; i < edges_.x.size(); i += kLanes) {
    const Floats dx = load(edges_.dx, i), dy = load(edges_.dy, i);
    const Floats start_y = load(edges_.y, i), end_y = load(edges_.end_y, i);
    const Floats vx = x - load(edges_.x, i), vy = y - start_y;
    const Floats side = dx * vy - dy * vx;
    const Floats zeros_y = zero + y;
    winding -= (start_y <= zeros_y) & (end_y > zeros_y) & (side > zero);
    winding += (start_y > zeros_y) & (end_y <= zeros_y) & (side < zero);
    Floats t = (vx * dx + vy * dy) * load(edges_.inverse, i);
    t = t < zero ? zero : t;
    t = t > one ? one : t;
    const Floats ex = vx - t * dx, ey = vy - t * dy;
    const Floats d2 = ex * ex + ey * ey;
    nearest = d2 < nearest ? d2 : nearest;
  }
  int turns = 0;
  for (std::size_t k = 0; k < kLanes; ++k) turns += winding[k];
  const float d = std::sqrt(least(nearest));
  return turns > 0 ? d : -d;
}

void NoFitPolygon::fill_grid(const Form& fixed, const Form& moving, int nodes) {
  const double wide = fixed.width + moving.width, high = fixed.height + moving.height;
  const double cell_x = wide / (nodes - 1), cell_y = high / (nodes - 1);
  grid_.nodes = nodes;
  grid_.x = static_cast<float>(-moving.width), grid_.y = static_cast<float>(-moving.height);
  grid_.per_x = static_cast<float>(1 / cell_x), grid_.per_y = static_cast<float>(1 / cell_y);
  // No point of a cell is further from its nearest node than half the diagonal, depth changes no
  // faster than place does, and the four nodes' mean is off by as much again.
  grid_.band = static_cast<float>(std::hypot(cell_x, cell_y));
  grid_.depth.resize(static_cast<std::size_t>(nodes) * static_cast<std::size_t>(nodes));
  for (int j = 0; j < nodes; ++j) {
    for (int i = 0; i < nodes; ++i) {
      grid_.depth[static_cast<std::size_t>(j) * static_cast<std::size_t>(nodes) +
                  static_cast<std::size_t>(i)] =
          signed_depth(static_cast<float>(-moving.width + i * cell_x),
                       static_cast<float>(-moving.height + j * cell_y));
    }
  }
}

float NoFitPolygon::depth(float x, float y) const {
  if (grid_.nodes == 0) return convex_ ? depth_convex(x, y) : std::max(0.0F, signed_depth(x, y));
  const float u = (x - grid_.x) * grid_.per_x, v = (y - grid_.y) * grid_.per_y;
  const auto last = static_cast<float>(grid_.nodes - 1);
  if (!(u > 0 && v > 0 && u < last && v < last)) return 0;
  const int i = static_cast<int>(u), j = static_cast<int>(v);
  const float* node = grid_.depth.data() + static_cast<std::ptrdiff_t>(j) * grid_.nodes + i;
  const float a = u - static_cast<float>(i), b = v - static_cast<float>(j);
  const float low = node[0] + a * (node[1] - node[0]);
  const float high = node[grid_.nodes] + a * (node[grid_.nodes + 1] - node[grid_.nodes]);
  const float d = low + b * (high - low);
  if (d < -grid_.band) return 0;
  if (d > grid_.band) return d;
  return convex_ ? depth_convex(x, y) : std::max(0.0F, signed_depth(x, y));
}

}  // namespace panecard::layout
