#include "outline/segment.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>

namespace panecard::outline {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kMostSweep = 0.95 * kPi;  // a foot on an arc is unique well inside a half circle

/// Weighted sums over a range of samples; z is the squared distance from the origin.
struct Sums {
  double w = 0, x = 0, y = 0, xx = 0, xy = 0, yy = 0, xz = 0, yz = 0, zz = 0;

  void add(double weight, PointMm p) {
    const double z = dot(p, p);
    w += weight, x += weight * p.x, y += weight * p.y;
    xx += weight * p.x * p.x, xy += weight * p.x * p.y, yy += weight * p.y * p.y;
    xz += weight * p.x * z, yz += weight * p.y * z, zz += weight * z * z;
  }
  friend Sums operator-(const Sums& a, const Sums& b) {
    return {a.w - b.w,   a.x - b.x,   a.y - b.y,   a.xx - b.xx, a.xy - b.xy,
            a.yy - b.yy, a.xz - b.xz, a.yz - b.yz, a.zz - b.zz};
  }
};

/// Means about the centroid: what line and circle fits need.
struct Moments {
  double w = 0;
  PointMm mean;
  double xx = 0, xy = 0, yy = 0, xz = 0, yz = 0, zz = 0;
};

Moments moments_of(const Sums& s) {
  Moments m;
  m.w = s.w;
  m.mean = {s.x / s.w, s.y / s.w};
  const double a = m.mean.x, b = m.mean.y, c = a * a + b * b;
  const double xx = s.xx / s.w, xy = s.xy / s.w, yy = s.yy / s.w, xz = s.xz / s.w, yz = s.yz / s.w;
  m.xx = xx - a * a, m.xy = xy - a * b, m.yy = yy - b * b;
  // z about the centroid is z - 2 a x - 2 b y + c.
  const double z = xx + yy;
  m.xz = xz - 2 * a * xx - 2 * b * xy + c * a - a * (z - 2 * a * a - 2 * b * b + c);
  m.yz = yz - 2 * a * xy - 2 * b * yy + c * b - b * (z - 2 * a * a - 2 * b * b + c);
  m.zz = s.zz / s.w + 4 * a * a * xx + 4 * b * b * yy + c * c - 4 * a * xz - 4 * b * yz +
         2 * c * z + 8 * a * b * xy - 4 * a * c * a - 4 * b * c * b;
  return m;
}

double line_chi2(const Moments& m) {
  const double half = (m.xx + m.yy) / 2, apart = (m.xx - m.yy) / 2;
  return m.w * std::max(0.0, half - std::sqrt(apart * apart + m.xy * m.xy));
}

/// Taubin's circle (1991) by Newton's method on its characteristic polynomial (Chernov & Lesort
/// 2005). Its smallest root is the mean squared distance to first order.
double taubin_root(const Moments& m) {
  const double mz = m.xx + m.yy, cov = m.xx * m.yy - m.xy * m.xy, var = m.zz - mz * mz;
  const double a3 = 4 * mz, a2 = -3 * mz * mz - m.zz;
  const double a1 = var * mz + 4 * cov * mz - m.xz * m.xz - m.yz * m.yz;
  const double a0 =
      m.xz * (m.xz * m.yy - m.yz * m.xy) + m.yz * (m.yz * m.xx - m.xz * m.xy) - var * cov;
  double root = 0, value = a0;
  for (int i = 0; i < 20; ++i) {
    const double slope = a1 + root * (2 * a2 + root * 3 * a3);
    const double next = root - value / slope;
    if (!std::isfinite(next) || std::abs(next - root) <= 1e-9 * std::abs(next)) break;
    const double next_value = a0 + next * (a1 + next * (a2 + next * a3));
    if (std::abs(next_value) >= std::abs(value)) break;
    root = next, value = next_value;
  }
  return std::max(0.0, root);
}

/// Breakpoint candidates: evenly spread over length and turning together, so that a tight corner
/// offers as many as a long edge.
std::vector<std::size_t> candidates(const PolygonMm& points) {
  constexpr double kStep_mm = 14, kStep_rad = 9 * kPi / 180;
  const std::size_t n = points.size();
  const double spacing = perimeter_mm(points) / static_cast<double>(n);
  const auto window =
      static_cast<std::size_t>(std::clamp(6 / spacing, 1.0, static_cast<double>(n) / 8));
  double travelled = 1;
  std::vector<std::size_t> chosen;
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm a = points[(i + n - window) % n], b = points[i], c = points[(i + window) % n];
    const double turn = std::abs(std::atan2(cross(b - a, c - b), dot(b - a, c - b)));
    travelled += distance(b, points[(i + 1) % n]) / kStep_mm +
                 turn / static_cast<double>(window) / kStep_rad;
    if (travelled < 1) continue;
    chosen.push_back(i);
    travelled = 0;
  }
  return chosen;
}

class Search {
 public:
  Search(const Samples& samples, std::vector<std::size_t> cuts, std::size_t start)
      : samples_(samples), cuts_(std::move(cuts)) {
    std::rotate(cuts_.begin(), cuts_.begin() + static_cast<std::ptrdiff_t>(start), cuts_.end());
    const std::size_t n = samples.points.size();
    PointMm centre{};
    for (const PointMm p : samples.points) centre = centre + (1.0 / static_cast<double>(n)) * p;
    // Prefix sums over three laps, so that a range across the seam is a difference as well.
    sums_.resize(3 * n + 1);
    for (std::size_t i = 0; i < 3 * n; ++i) {
      sums_[i + 1] = sums_[i];
      sums_[i + 1].add(samples.weight[i % n], samples.points[i % n] - centre);
    }
    at_.resize(cuts_.size() + 1);
    for (std::size_t k = 0; k < cuts_.size(); ++k) {
      at_[k] = cuts_[k] >= cuts_[0] ? cuts_[k] : cuts_[k] + n;
    }
    at_.back() = cuts_[0] + n;
  }

  struct Option {
    double cost = std::numeric_limits<double>::infinity();
    PieceKind kind = PieceKind::line;
  };
  /// Of the samples from `first` to before `last`, counted on round the seam.
  Option cost(std::size_t first, std::size_t last) const {
    Option best;
    if (last < first + 3) return best;
    const Moments m = moments_of(sums_[last] - sums_[first]);
    best.cost = line_chi2(m) + 3 * samples_.cost_per_unknown;
    if (last < first + 5) return best;
    const double arc = m.w * taubin_root(m) + 4 * samples_.cost_per_unknown;
    if (arc < best.cost && sweep_allowed(first, last)) best = {arc, PieceKind::arc};
    return best;
  }

  using Pieces = std::vector<std::pair<std::size_t, PieceKind>>;

  Pieces solve() const {
    const std::size_t m = cuts_.size();
    std::vector<double> total(m + 1, std::numeric_limits<double>::infinity());
    std::vector<std::size_t> from(m + 1, 0);
    std::vector<PieceKind> kind(m + 1, PieceKind::line);
    std::vector<std::size_t> alive;
    total[0] = 0;
    for (std::size_t j = 1; j <= m; ++j) {
      alive.push_back(j - 1);
      std::vector<double> reached(alive.size());
      for (std::size_t a = 0; a < alive.size(); ++a) {
        const Option option = cost(at_[alive[a]], at_[j]);
        reached[a] = total[alive[a]] + option.cost;
        if (reached[a] < total[j]) total[j] = reached[a], from[j] = alive[a], kind[j] = option.kind;
      }
      // A start that is beaten by a whole piece can never win later (Killick et al. 2012, PELT);
      // stretches too short to cost anything yet stay.
      std::size_t kept = 0;
      for (std::size_t a = 0; a < alive.size(); ++a) {
        const bool hopeless =
            std::isfinite(reached[a]) && reached[a] > total[j] + 4 * samples_.cost_per_unknown;
        if (!hopeless) alive[kept++] = alive[a];
      }
      alive.resize(kept);
    }
    Pieces pieces;
    if (!std::isfinite(total[m])) return pieces;
    for (std::size_t j = m; j > 0; j = from[j]) pieces.emplace_back(cuts_[from[j]], kind[j]);
    std::reverse(pieces.begin(), pieces.end());
    join_over_seam(pieces);
    return pieces;
  }

 private:
  /// The start was a forced breakpoint; it goes when one piece across it is as good as two.
  void join_over_seam(Pieces& pieces) const {
    if (pieces.size() < 3) return;
    const std::size_t n = samples_.points.size(), seam = at_[0] + n;
    std::size_t last = pieces.back().first, after = pieces[1].first;
    if (last < at_[0]) last += n;
    if (after < at_[0]) after += n;
    if (last == at_[0]) return;
    const double apart = cost(last, seam).cost + cost(at_[0], after).cost;
    const Option whole = cost(last, after + n);
    if (whole.cost > apart) return;
    pieces.back().second = whole.kind;
    pieces.erase(pieces.begin());
  }

  /// By the chord directions at both ends: cheaper than the circle and blind to its radius.
  bool sweep_allowed(std::size_t first, std::size_t last) const {
    const std::size_t n = samples_.points.size(), a = first, b = last - 1, mid = (a + b) / 2;
    const PointMm p = samples_.points[a % n], q = samples_.points[mid % n],
                  r = samples_.points[b % n];
    // Inscribed angle: the two half chords turn by half the sweep.
    return 2 * std::abs(std::atan2(cross(q - p, r - q), dot(q - p, r - q))) < kMostSweep;
  }

  const Samples& samples_;
  std::vector<std::size_t> cuts_, at_;
  std::vector<Sums> sums_;
};

/// The candidate in the middle of the straightest part: a forced breakpoint there costs least.
std::size_t straightest_candidate(const PolygonMm& points, const std::vector<std::size_t>& cuts) {
  std::size_t best = 0;
  double longest = -1;
  const std::size_t m = cuts.size();
  for (std::size_t k = 0; k < m; ++k) {
    const PointMm a = points[cuts[(k + m - 3) % m]], b = points[cuts[k]],
                  c = points[cuts[(k + 3) % m]];
    const double turn = std::abs(std::atan2(cross(b - a, c - b), dot(b - a, c - b)));
    const double reach = std::min(distance(a, b), distance(b, c)) / (1 + 20 * turn);
    if (reach > longest) longest = reach, best = k;
  }
  return best;
}

/// All points between the candidates on either side of each cut, and the seam.
std::vector<std::size_t> around(const Search::Pieces& pieces, const std::vector<std::size_t>& cuts,
                                std::size_t seam, std::size_t n) {
  std::vector<bool> wanted(n, false);
  wanted[seam] = true;
  for (const auto& piece : pieces) {
    const auto at = std::find(cuts.begin(), cuts.end(), piece.first) - cuts.begin();
    const std::size_t m = cuts.size(), k = static_cast<std::size_t>(at);
    const std::size_t from = cuts[(k + m - 1) % m], to = cuts[(k + 1) % m];
    for (std::size_t i = from; i != to; i = (i + 1) % n) wanted[i] = true;
  }
  std::vector<std::size_t> result;
  for (std::size_t i = 0; i < n; ++i) {
    if (wanted[i]) result.push_back(i);
  }
  return result;
}

}  // namespace

Link fit_alone(const Samples& samples, PieceKind kind, std::size_t first, std::size_t count) {
  const std::size_t n = samples.points.size();
  const PointMm origin = samples.points[(first + count / 2) % n];
  Sums sums;
  for (std::size_t j = 0; j < count; ++j) {
    sums.add(samples.weight[(first + j) % n], samples.points[(first + j) % n] - origin);
  }
  const Moments m = moments_of(sums);
  const PointMm start = samples.points[first % n], end = samples.points[(first + count - 1) % n];
  Link link;
  link.kind = kind;
  link.first = first % n;
  link.heading_rad = std::atan2(2 * m.xy, m.xx - m.yy) / 2;
  if (std::cos(link.heading_rad) * (end - start).x + std::sin(link.heading_rad) * (end - start).y <
      0) {
    link.heading_rad += kPi;
  }
  link.middle = origin + m.mean;
  if (kind == PieceKind::arc) {
    const double root = taubin_root(m);
    const double mz = m.xx + m.yy, cov = m.xx * m.yy - m.xy * m.xy;
    const double det = root * root - root * mz + cov;
    const PointMm to_centre{(m.xz * (m.yy - root) - m.yz * m.xy) / det / 2,
                            (m.yz * (m.xx - root) - m.xz * m.xy) / det / 2};
    const double radius = std::sqrt(dot(to_centre, to_centre) + mz);
    const PointMm chord = end - start;
    const double side = cross(chord, to_centre) >= 0 ? 1 : -1;
    const PointMm out = (-1 / norm(to_centre)) * to_centre;
    link.curvature = side / radius;
    link.heading_rad = std::atan2(side * out.x, -side * out.y);
    link.middle = origin + m.mean + to_centre + radius * out;
  }
  // From the middle of the data to the ends that they reach; half a step on for the gap to the
  // next.
  const double s0 = foot_of(link, start).s_mm, s1 = foot_of(link, end).s_mm;
  const double step = (s1 - s0) / static_cast<double>(std::max<std::size_t>(count, 2) - 1);
  const LinkPoint middle = link_point_at(link, (s0 + s1) / 2 + 0.25 * step);
  link.middle = middle.place;
  link.heading_rad = middle.heading_rad;
  link.length_mm = std::max(s1 - s0 + step, 1e-3);
  return link;
}

Chain segment(const Samples& samples) {
  Chain chain;
  const std::size_t n = samples.points.size();
  const std::vector<std::size_t> cuts = candidates(samples.points);
  if (n < 12 || cuts.size() < 4) return chain;
  const std::size_t start = straightest_candidate(samples.points, cuts);
  const Search::Pieces coarse = Search(samples, cuts, start).solve();
  if (coarse.size() < 2) return chain;
  // Once more with every point near a cut as a candidate: a cut that sits a few points off splits a
  // tight corner in two when the noise is low.
  const std::vector<std::size_t> fine = around(coarse, cuts, cuts[start], n);
  const auto seam = std::find(fine.begin(), fine.end(), cuts[start]) - fine.begin();
  const Search::Pieces pieces = Search(samples, fine, static_cast<std::size_t>(seam)).solve();
  if (pieces.size() < 2) return chain;
  for (std::size_t k = 0; k < pieces.size(); ++k) {
    const std::size_t next = pieces[(k + 1) % pieces.size()].first;
    const std::size_t count = (next + n - pieces[k].first) % n;
    chain.links.push_back(fit_alone(samples, pieces[k].second, pieces[k].first, count));
  }
  return chain;
}

}  // namespace panecard::outline
