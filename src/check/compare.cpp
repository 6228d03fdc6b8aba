#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>

#include "check/check.h"
#include "check/propagation.h"

namespace panecard::check {
namespace {

constexpr double kPi = std::numbers::pi;

/// Searches `count` chords from chord `first` on.
Gap gap_to(const PolygonMm& polygon, PointMm p, std::size_t first, std::size_t count) {
  const std::size_t n = polygon.size();
  Gap best;
  double least = 1e300;
  PointMm arm, side;
  for (std::size_t k = 0, i = first % n; k < count; ++k, i = i + 1 == n ? 0 : i + 1) {
    const PointMm a = polygon[i], along = polygon[i + 1 == n ? 0 : i + 1] - a;
    const double t = std::clamp(dot(p - a, along) / std::max(dot(along, along), 1e-12), 0.0, 1.0);
    const PointMm away = p - a - t * along;
    const double d = dot(away, away);
    if (d < least) least = d, best.before = i, best.t = t, arm = away, side = along;
  }
  const double length = std::max(norm(side), 1e-12);
  best.normal = (1 / length) * PointMm{side.y, -side.x};
  best.mm = std::copysign(std::sqrt(least), dot(arm, best.normal));
  return best;
}

Gap gap_to(const PolygonMm& polygon, PointMm p) { return gap_to(polygon, p, 0, polygon.size()); }

PolygonMm thinned(const PolygonMm& polygon, double count) {
  return resample(polygon, perimeter_mm(polygon) / count);
}

PointMm centre_of(const PolygonMm& polygon) {
  PointMm sum;
  for (const PointMm p : polygon) sum = sum + p;
  return (1 / static_cast<double>(polygon.size())) * sum;
}

double biweight(double off, double scale) {
  const double u = off / (4.685 * scale);
  return std::abs(u) < 1 ? (1 - u * u) * (1 - u * u) : 0;
}

double median(std::vector<double> sizes) {
  const auto middle = sizes.begin() + static_cast<std::ptrdiff_t>(sizes.size() / 2);
  std::nth_element(sizes.begin(), middle, sizes.end());
  return *middle;
}

struct Registration {
  Motion motion;
  double cost = 1e300;  ///< sum of biweight-limited squares
};

/// Iterated closest points with distances along the normals (Chen & Medioni 1991); Tukey's biweight
/// leaves out what belongs to one outline only.
Registration icp(const PolygonMm& points, const PolygonMm& reference, Motion motion, int steps) {
  constexpr double kLeastScale_mm = 0.05, kMadOfNormal = 1.4826;
  Registration out;
  std::vector<Gap> gaps(points.size());
  std::vector<double> sizes(points.size());
  const std::size_t n = reference.size();
  for (int k = 0; k <= steps; ++k) {
    // After the first steps feet move little: search only near the last one.
    const std::size_t reach = k < 3 ? n : std::min(n, n / 8 + 8);
    for (std::size_t i = 0; i < points.size(); ++i) {
      gaps[i] = gap_to(reference, motion(points[i]), gaps[i].before + n - reach / 2, reach);
      sizes[i] = std::abs(gaps[i].mm);
    }
    const double scale = std::max(kLeastScale_mm, kMadOfNormal * median(sizes));
    Eigen::Matrix3d normal = 1e-9 * Eigen::Matrix3d::Identity();
    Eigen::Vector3d right = Eigen::Vector3d::Zero();
    const PointMm pivot = motion(centre_of(points));
    for (std::size_t i = 0; i < points.size(); ++i) {
      const PointMm arm = motion(points[i]) - pivot;
      const Eigen::Vector3d row(gaps[i].normal.x, gaps[i].normal.y, cross(arm, gaps[i].normal));
      const double w = biweight(gaps[i].mm, scale);
      normal += w * row * row.transpose();
      right -= w * gaps[i].mm * row;
    }
    out.motion = motion;
    out.cost = 0;
    for (const double s : sizes) out.cost += std::min(s, 4.685 * scale);
    if (k == steps) break;
    const Eigen::Vector3d step = normal.ldlt().solve(right);
    const double turn = std::clamp(step[2], -0.2, 0.2);
    const Motion by{turn, {}};
    motion = {motion.turn_rad + turn,
              by.turned(motion.shift - pivot) + pivot + PointMm{step[0], step[1]}};
    if (step.head<2>().norm() < 1e-5 && std::abs(turn) < 1e-8) break;
  }
  return out;
}

/// The best of all start orientations.
Registration multi_start_icp(const PolygonMm& points, const PolygonMm& reference) {
  constexpr int kStarts = 36;
  const PolygonMm few = thinned(points, 90), coarse = thinned(reference, 120);
  std::vector<Registration> tried;
  for (int k = 0; k < kStarts; ++k) {
    Motion start{2 * kPi * k / kStarts, {}};
    start.shift = centre_of(coarse) - start.turned(centre_of(few));
    tried.push_back(icp(few, coarse, start, 12));
  }
  std::sort(tried.begin(), tried.end(),
            [](const Registration& a, const Registration& b) { return a.cost < b.cost; });
  Registration best;
  std::optional<double> last_turn;
  constexpr std::size_t kFinals = 4;
  for (std::size_t k = 0, done = 0; k < tried.size() && done < kFinals; ++k) {
    const double turn = tried[k].motion.turn_rad;
    if (last_turn && std::abs(std::remainder(turn - *last_turn, 2 * kPi)) < 1e-3) continue;
    last_turn = turn;
    ++done;
    const Registration fine = icp(points, reference, tried[k].motion, 30);
    if (fine.cost < best.cost) best = fine;
  }
  return best;
}

/// As seen from the other side of the pane.
Shape mirrored_shape(const Shape& shape) {
  Shape out = shape;
  const auto flip = [](PolygonMm& points) {
    for (PointMm& p : points) p.x = -p.x;
    std::reverse(points.begin(), points.end());
  };
  flip(out.contour.points);
  for (PolygonMm& mode : out.contour.modes) flip(mode);
  std::reverse(out.contour.sigma_mm.begin(), out.contour.sigma_mm.end());
  std::reverse(out.u95_mm.begin(), out.u95_mm.end());
  return out;
}

/// The second outline's columns at the feet of the first one's points.
Eigen::MatrixXd at_feet(const Eigen::MatrixXd& columns, const std::vector<Gap>& gaps) {
  Eigen::MatrixXd out(static_cast<Eigen::Index>(gaps.size()), columns.cols());
  for (std::size_t i = 0; i < gaps.size(); ++i) {
    const auto before = static_cast<Eigen::Index>(gaps[i].before);
    out.row(static_cast<Eigen::Index>(i)) = (1 - gaps[i].t) * columns.row(before) +
                                            gaps[i].t * columns.row((before + 1) % columns.rows());
  }
  return out;
}

/// Projects the rigid motions, which the registration absorbs, out of every mode.
void remove_rigid_motion(const PolygonMm& registered, const std::vector<Gap>& gaps,
                         Eigen::MatrixXd& columns) {
  const PointMm pivot = centre_of(registered);
  Eigen::MatrixXd moves(columns.rows(), 3);
  std::vector<double> sizes;
  sizes.reserve(gaps.size());
  for (const Gap& g : gaps) sizes.push_back(std::abs(g.mm));
  const double scale = std::max(0.05, 1.4826 * median(sizes));
  Eigen::VectorXd weights(columns.rows());
  for (Eigen::Index i = 0; i < columns.rows(); ++i) {
    const auto at = static_cast<std::size_t>(i);
    moves.row(i) << gaps[at].normal.x, gaps[at].normal.y,
        cross(registered[at] - pivot, gaps[at].normal);
    weights[i] = biweight(gaps[at].mm, scale);
  }
  const Eigen::MatrixXd weighted = weights.asDiagonal() * moves;
  const Eigen::Matrix3d normal = weighted.transpose() * moves + 1e-9 * Eigen::Matrix3d::Identity();
  columns -= moves * normal.ldlt().solve(weighted.transpose() * columns);
}

/// Coverage factor for all points together: the 95 % quantile of the largest standardised
/// difference, by Monte Carlo.
double simultaneous_factor(const Eigen::MatrixXd& columns, const Eigen::VectorXd& sigma) {
  constexpr Eigen::Index kDraws = 600;
  const Eigen::MatrixXd scaled = sigma.array().max(1e-12).inverse().matrix().asDiagonal() * columns;
  const Eigen::RowVectorXd most =
      (scaled * normal_draws(columns.cols(), kDraws)).cwiseAbs().colwise().maxCoeff();
  return quantile95({most.data(), most.data() + most.size()});
}

Difference difference_at(const Comparison& c, std::size_t i, PointMm up) {
  return {std::abs(c.off_mm[i]), c.u95_mm[i], c.registered[i],
          place_name(c.registered[i], centre_of(c.reference), up)};
}

/// Fills u95_mm and within_u95.
void set_significance(const Shape& first, const Shape& second, const std::vector<Gap>& gaps,
                      const PolygonMm& first_normals, Comparison& c) {
  const std::size_t n = gaps.size();
  c.u95_mm.resize(n);
  double factor = 2;
  if (first.sources_known && second.sources_known) {
    const Eigen::MatrixXd own = Propagation(first, first_normals).columns();
    const Eigen::MatrixXd other =
        at_feet(Propagation(second, outward_normals(second.contour.points)).columns(), gaps);
    Eigen::MatrixXd columns(own.rows(), own.cols() + other.cols());
    columns << own, other;
    remove_rigid_motion(c.registered, gaps, columns);
    const Eigen::VectorXd sigma = columns.rowwise().norm();
    for (std::size_t i = 0; i < n; ++i) c.u95_mm[i] = 2 * sigma[static_cast<Eigen::Index>(i)];
    factor = simultaneous_factor(columns, sigma);
  } else {  // nothing is known to cancel, so the two simply add
    for (std::size_t i = 0; i < n; ++i) {
      const std::size_t k = gaps[i].before;
      c.u95_mm[i] = first.u95_mm[i] +
                    std::max(second.u95_mm[k], second.u95_mm[(k + 1) % second.u95_mm.size()]);
    }
  }
  c.within_u95 = true;
  for (std::size_t i = 0; i < n; ++i) {
    if (std::abs(c.off_mm[i]) > factor / 2 * c.u95_mm[i]) c.within_u95 = false;
  }
}

}  // namespace

PointMm Motion::turned(PointMm p) const {
  const double c = std::cos(turn_rad), s = std::sin(turn_rad);
  return {c * p.x - s * p.y, s * p.x + c * p.y};
}

std::vector<Gap> gaps_to(const PolygonMm& polygon, const PolygonMm& points) {
  std::vector<Gap> out;
  out.reserve(points.size());
  for (const PointMm p : points) out.push_back(gap_to(polygon, p));
  return out;
}

Motion register_from(const PolygonMm& points, const PolygonMm& polygon, const Motion& start) {
  constexpr int kSteps = 30;
  return icp(points, polygon, start, kSteps).motion;
}

Result<Motion> register_multi_start(const PolygonMm& points, const PolygonMm& polygon) {
  const Registration registered = multi_start_icp(points, polygon);
  if (std::isfinite(registered.cost)) return registered.motion;
  return Error{Code::degenerate_shape,
               "the outlines cannot be laid on each other; measure both again"};
}

Result<Comparison> compare(const Shape& first, const Shape& second, bool mirrored,
                           double tolerance_mm) {
  const Shape a = evenly_resampled(mirrored ? mirrored_shape(first) : first,
                                   std::max(3.0, perimeter_mm(first.contour.points) / 600));
  const Shape b =
      evenly_resampled(second, std::max(3.0, perimeter_mm(second.contour.points) / 600));
  const Registration registered = multi_start_icp(a.contour.points, b.contour.points);
  if (!std::isfinite(registered.cost)) {
    return Error{Code::degenerate_shape,
                 "the outlines cannot be laid on each other; measure both again"};
  }
  Comparison c;
  c.reference = b.contour.points;
  std::vector<Gap> gaps;
  for (const PointMm p : a.contour.points) {
    c.registered.push_back(registered.motion(p));
    gaps.push_back(gap_to(c.reference, c.registered.back()));
    c.off_mm.push_back(gaps.back().mm);
    c.rms_mm += gaps.back().mm * gaps.back().mm;
  }
  c.rms_mm = std::sqrt(c.rms_mm / static_cast<double>(gaps.size()));
  set_significance(a, b, gaps, outward_normals(a.contour.points), c);

  const PointMm up = up_of(second.contour);
  const auto [least, most] = std::minmax_element(c.off_mm.begin(), c.off_mm.end());
  if (*least < 0) c.gap = difference_at(c, static_cast<std::size_t>(least - c.off_mm.begin()), up);
  if (*most > 0)
    c.overlap = difference_at(c, static_cast<std::size_t>(most - c.off_mm.begin()), up);
  // A spike of the second outline has no point of the first one near it.
  for (std::size_t k = 0; k < c.reference.size(); ++k) {
    const Gap back = gap_to(c.registered, c.reference[k]);
    Difference& reached = back.mm > 0 ? c.gap : c.overlap;
    if (std::abs(back.mm) <= reached.size_mm) continue;
    reached = {std::abs(back.mm), c.u95_mm[back.before], c.reference[k],
               place_name(c.reference[k], centre_of(c.reference), up)};
  }
  std::size_t doubtful = 0;
  for (std::size_t i = 0; i < c.off_mm.size(); ++i) {
    const double reach = std::abs(c.off_mm[doubtful]) + c.u95_mm[doubtful];
    if (std::abs(c.off_mm[i]) + c.u95_mm[i] > reach) doubtful = i;
  }
  c.worst_case = difference_at(c, doubtful, up);
  bool all_same = true, any_different = false;
  const auto weigh = [&](double off, double u95) {
    const Verdict v = decide({off, u95}, -tolerance_mm, tolerance_mm);
    all_same = all_same && v == Verdict::yes;
    any_different = any_different || v == Verdict::no;
  };
  for (std::size_t i = 0; i < c.off_mm.size(); ++i) weigh(c.off_mm[i], c.u95_mm[i]);
  weigh(c.gap.size_mm, c.gap.u95_mm);
  weigh(c.overlap.size_mm, c.overlap.u95_mm);
  c.same = any_different ? Verdict::no : all_same ? Verdict::yes : Verdict::cannot_tell;
  return c;
}

}  // namespace panecard::check
