#include "outline/chain.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace panecard::outline {
namespace {

constexpr double kDamping = 1e-7;  // of a link's own information: holds what no datum sees

/// The curve from a link's middle in the frame of its heading: place, and what curvature and rate
/// do.
struct Local {
  PointMm place, by_curvature, by_rate;
};

Local arc_local(double curvature, double s) {
  const double phi = curvature * s;
  Local local;
  if (std::abs(phi) < 0.05) {  // the closed form below loses its digits here
    const double p2 = phi * phi;
    local.place = {s * (1 - p2 / 6 + p2 * p2 / 120), s * phi * (0.5 - p2 / 24 + p2 * p2 / 720)};
    local.by_curvature = {s * s * phi * (-1.0 / 3 + p2 / 30 - p2 * p2 / 840),
                          s * s * (0.5 - p2 / 8 + p2 * p2 / 144)};
    return local;
  }
  const double sin = std::sin(phi), cos = std::cos(phi);
  local.place = {s * sin / phi, s * (1 - cos) / phi};
  local.by_curvature = {s * s * (cos / phi - sin / (phi * phi)),
                        s * s * (sin / phi - (1 - cos) / (phi * phi))};
  return local;
}

Local clothoid_local(double curvature, double rate, double s) {
  // Gauss-Legendre, eight nodes: exact to rounding for the turns that a link makes.
  constexpr std::array<double, 4> kNode = {0.1834346424956498, 0.5255324099163290,
                                           0.7966664774136267, 0.9602898564975363};
  constexpr std::array<double, 4> kWeight = {0.3626837833783620, 0.3137066458778873,
                                             0.2223810344533745, 0.1012285362903763};
  Local local;
  for (std::size_t k = 0; k < 8; ++k) {
    const double t = s / 2 * (1 + (k % 2 == 0 ? 1 : -1) * kNode[k / 2]);
    const double w = s / 2 * kWeight[k / 2];
    const double angle = curvature * t + rate * t * t / 2;
    const PointMm along{std::cos(angle), std::sin(angle)}, left{-along.y, along.x};
    local.place = local.place + w * along;
    local.by_curvature = local.by_curvature + w * t * left;
    local.by_rate = local.by_rate + w * t * t / 2 * left;
  }
  return local;
}

Local local_at(const Link& link, double s) {
  if (link.kind == PieceKind::free) return clothoid_local(link.curvature, link.rate, s);
  return arc_local(link.kind == PieceKind::line ? 0 : link.curvature, s);
}

PointMm turned(PointMm p, double cos, double sin) {
  return {cos * p.x - sin * p.y, sin * p.x + cos * p.y};
}

/// d(offset to the left)/d(unknowns) of a datum whose foot is at `s`.
Unknowns offset_gradient(const Link& link, const LinkPoint& point) {
  const PointMm left{-std::sin(point.heading_rad), std::cos(point.heading_rad)};
  Unknowns gradient = (left.x * point.d_place.row(0) + left.y * point.d_place.row(1)).transpose();
  for (int k = unknowns(link.kind); k < 6; ++k) gradient[k] = 0;
  gradient[3] = 0;
  return gradient;
}

/// Offset of a datum from its link, to the left, and the gradient.
struct Datum {
  double offset_mm = 0;
  Unknowns gradient = Unknowns::Zero();
};

/// The same as foot_of() and offset_gradient() without trigonometric functions for lines and arcs:
/// they took most of the fit's time.
class DatumOf {
 public:
  explicit DatumOf(const Link& link)
      : link_(link), cos_(std::cos(link.heading_rad)), sin_(std::sin(link.heading_rad)) {}

  Datum operator()(PointMm p) const {
    Datum datum;
    if (link_.kind == PieceKind::free) {
      const Foot foot = foot_of(link_, p);
      datum.offset_mm = foot.offset_mm;
      datum.gradient = offset_gradient(link_, link_point_at(link_, foot.s_mm));
      return datum;
    }
    const PointMm q = turned(p - link_.middle, cos_, -sin_);
    if (link_.kind == PieceKind::line) {
      datum.offset_mm = q.y;
      datum.gradient << -sin_, cos_, q.x, 0, 0, 0;
      return datum;
    }
    // The radius through the datum makes the angle phi with the one through the link's middle.
    const double k = link_.curvature;
    const double across = k * q.x, along = 1 - k * q.y;
    const double root = std::sqrt(across * across + along * along);
    if (!(root > 0)) return datum;  // at the centre: as far from every place on the arc
    const double sin_phi = across / root, cos_phi = along / root, x_foot = q.x / root;
    datum.offset_mm = (2 * q.y - k * dot(q, q)) / (1 + root);
    datum.gradient << -cos_ * sin_phi - sin_ * cos_phi, -sin_ * sin_phi + cos_ * cos_phi, x_foot, 0,
        x_foot * x_foot / std::max(1 + cos_phi, 1e-9), 0;
    return datum;
  }

 private:
  const Link& link_;
  double cos_, sin_;
};

struct Normal {
  std::vector<Eigen::Matrix<double, 6, 6>> hessian;
  std::vector<Unknowns> gradient;
  double chi2 = 0;
};

void add_damping(const Link& link, double weight, double fallback,
                 Eigen::Matrix<double, 6, 6>& hessian) {
  const double l2 = link.length_mm * link.length_mm / 12;
  const double w = std::max(weight, fallback) * kDamping;
  const std::array<double, 6> scale = {1, 1, l2, 1, l2 * l2, l2 * l2 * l2};
  for (int k = 0; k < 6; ++k) {
    const bool used = k < unknowns(link.kind);
    hessian(k, k) += used ? w * scale[static_cast<std::size_t>(k)] : 1;
  }
}

Normal normal_equations(const Chain& chain, const Samples& samples) {
  const std::size_t n = samples.points.size(), count = chain.links.size();
  Normal normal;
  normal.hessian.assign(count, Eigen::Matrix<double, 6, 6>::Zero());
  normal.gradient.assign(count, Unknowns::Zero());
  double total = 0;
  std::vector<double> weight(count, 0.0);
  for (std::size_t k = 0; k < count; ++k) {
    const Link& link = chain.links[k];
    const DatumOf datum_of(link);
    const std::size_t end = chain.links[(k + 1) % count].first;
    const std::size_t many = (end + n - link.first) % n;
    for (std::size_t j = 0; j < many; ++j) {
      const std::size_t i = (link.first + j) % n;
      const Datum datum = datum_of(samples.points[i]);
      const double w = samples.weight[i];
      const Unknowns weighted = w * datum.gradient;
      normal.hessian[k].noalias() += weighted * datum.gradient.transpose();
      normal.gradient[k] += datum.offset_mm * weighted;
      normal.chi2 += w * datum.offset_mm * datum.offset_mm;
      weight[k] += w;
    }
    total += weight[k];
  }
  for (std::size_t k = 0; k < count; ++k) {
    add_damping(chain.links[k], weight[k], total / static_cast<double>(n), normal.hessian[k]);
  }
  return normal;
}

/// The linearised joint constraints: rows * step = mismatch.
void joint_equations(const Chain& chain, Eigen::MatrixXd& rows, Eigen::VectorXd& mismatch) {
  const std::size_t count = chain.links.size();
  Eigen::Index equations = 0;
  for (const Link& link : chain.links) equations += link.kink_after ? 2 : 3;
  rows.setZero(equations, static_cast<Eigen::Index>(6 * count));
  mismatch.setZero(equations);
  Eigen::Index at = 0;
  for (std::size_t k = 0; k < count; ++k) {
    const std::size_t next = (k + 1) % count;
    const Link &a = chain.links[k], &b = chain.links[next];
    LinkPoint end = link_point_at(a, a.length_mm / 2), start = link_point_at(b, -b.length_mm / 2);
    const auto lengthen = [](LinkPoint& point, double side) {
      point.d_place(0, 3) = side * std::cos(point.heading_rad) / 2;
      point.d_place(1, 3) = side * std::sin(point.heading_rad) / 2;
      point.d_heading(3) = side * point.curvature / 2;
    };
    lengthen(end, 1);
    lengthen(start, -1);
    const auto col_a = static_cast<Eigen::Index>(6 * k),
               col_b = static_cast<Eigen::Index>(6 * next);
    rows.block<2, 6>(at, col_a) += end.d_place;
    rows.block<2, 6>(at, col_b) -= start.d_place;
    mismatch[at] = start.place.x - end.place.x;
    mismatch[at + 1] = start.place.y - end.place.y;
    at += 2;
    if (a.kink_after) continue;
    rows.block<1, 6>(at, col_a) += end.d_heading;
    rows.block<1, 6>(at, col_b) -= start.d_heading;
    mismatch[at] = wrapped_angle(start.heading_rad - end.heading_rad);
    at += 1;
  }
  for (std::size_t k = 0; k < count; ++k) {
    for (int j = unknowns(chain.links[k].kind); j < 6; ++j) {
      rows.col(static_cast<Eigen::Index>(6 * k) + j).setZero();
    }
  }
}

Eigen::MatrixXd block_inverse(const Normal& normal) {
  Eigen::MatrixXd inverse(static_cast<Eigen::Index>(6 * normal.hessian.size()), 6);
  for (std::size_t k = 0; k < normal.hessian.size(); ++k) {
    const auto& h = normal.hessian[k];
    // Scaled to a unit diagonal first: the unknowns differ by many powers of ten.
    const Unknowns scale = h.diagonal().array().sqrt().inverse();
    const Eigen::Matrix<double, 6, 6> unit = scale.asDiagonal() * h * scale.asDiagonal();
    inverse.middleRows<6>(static_cast<Eigen::Index>(6 * k)) =
        scale.asDiagonal() * unit.ldlt().solve(Eigen::Matrix<double, 6, 6>::Identity()) *
        scale.asDiagonal();
  }
  return inverse;
}

/// Block-diagonal inverse times a matrix.
Eigen::MatrixXd apply(const Eigen::MatrixXd& inverse, const Eigen::MatrixXd& right) {
  Eigen::MatrixXd result(right.rows(), right.cols());
  for (Eigen::Index r = 0; r < right.rows(); r += 6) {
    result.middleRows<6>(r).noalias() = inverse.middleRows<6>(r) * right.middleRows<6>(r);
  }
  return result;
}

/// Assigns the samples to links: a joint's perpendicular separates those of its two links.
void assign_samples(Chain& chain, const PolygonMm& points) {
  const std::size_t n = points.size(), count = chain.links.size();
  std::vector<std::size_t> first(count);
  for (std::size_t k = 0; k < count; ++k) {
    const Link& link = chain.links[k];
    const Link& before = chain.links[(k + count - 1) % count];
    const LinkPoint start = link_point_at(link, -link.length_mm / 2);
    const PointMm along{std::cos(start.heading_rad), std::sin(start.heading_rad)};
    const auto beyond = [&](std::size_t i) { return dot(along, points[i % n] - start.place) >= 0; };
    const std::size_t room_back = (link.first + n - before.first) % n;
    const std::size_t room_ahead = (chain.links[(k + 1) % count].first + n - link.first) % n;
    std::size_t i = link.first;
    std::size_t steps = 0;
    if (beyond(i)) {
      while (steps + 1 < room_back && beyond(i + n - 1)) i = (i + n - 1) % n, ++steps;
    } else {
      while (steps + 1 < room_ahead && !beyond(i)) i = (i + 1) % n, ++steps;
    }
    first[k] = i;
  }
  // If two joints moved past each other, the index range of a short link would wrap all the way
  // round.
  for (std::size_t k = 0; k < count; ++k) {
    const std::size_t old_span =
        (chain.links[(k + 1) % count].first + n - chain.links[k].first) % n;
    const std::size_t new_span = (first[(k + 1) % count] + n - first[k]) % n;
    if (new_span > old_span + n / 2) first[(k + 1) % count] = first[k];
  }
  for (std::size_t k = 0; k < count; ++k) chain.links[k].first = first[k];
}

double take_step(Chain& chain, const Eigen::VectorXd& step) {
  double furthest = 0;
  for (std::size_t k = 0; k < chain.links.size(); ++k) {
    Link& link = chain.links[k];
    const auto d = step.segment<6>(static_cast<Eigen::Index>(6 * k));
    const double l = link.length_mm / 2;
    furthest = std::max({furthest, std::abs(d[0]), std::abs(d[1]), std::abs(d[2]) * l,
                         std::abs(d[3]), std::abs(d[4]) * l * l / 2});
    link.middle = link.middle + PointMm{d[0], d[1]};
    link.heading_rad += std::clamp(d[2], -0.5, 0.5);
    link.length_mm = std::clamp(link.length_mm + d[3], link.length_mm / 4, link.length_mm * 4);
    link.curvature += d[4];
    link.rate += d[5];
  }
  return furthest;
}

/// Rejects fits that satisfy the constraints by links that wind up or bulge where they have no
/// samples: each must be about as long as its samples' arc length and turn less than once.
bool is_plausible(const Chain& chain, const Samples& samples) {
  constexpr double kSlack = 0.1, kSlackSamples = 3;
  const std::size_t n = samples.points.size(), count = chain.links.size();
  const double spacing_mm = perimeter_mm(samples.points) / static_cast<double>(n);
  for (std::size_t k = 0; k < count; ++k) {
    const Link& link = chain.links[k];
    const std::size_t many = (chain.links[(k + 1) % count].first + n - link.first) % n;
    const double way_mm = static_cast<double>(many) * spacing_mm;
    const double slack_mm = kSlack * way_mm + kSlackSamples * spacing_mm;
    if (std::abs(link.length_mm - way_mm) > slack_mm) return false;
    const double bend = std::abs(link.curvature) + std::abs(link.rate) * link.length_mm / 4;
    if (bend * link.length_mm > 2 * std::numbers::pi) return false;
  }
  return true;
}

}  // namespace

LinkPoint link_point_at(const Link& link, double s_mm) {
  const Local local = local_at(link, s_mm);
  const double cos = std::cos(link.heading_rad), sin = std::sin(link.heading_rad);
  const PointMm arm = turned(local.place, cos, sin);
  const PointMm by_curvature = turned(local.by_curvature, cos, sin);
  const PointMm by_rate = turned(local.by_rate, cos, sin);
  LinkPoint point;
  point.place = link.middle + arm;
  point.curvature = link.kind == PieceKind::line ? 0 : link.curvature + link.rate * s_mm;
  point.heading_rad =
      link.heading_rad +
      (link.kind == PieceKind::line ? 0 : link.curvature * s_mm + link.rate * s_mm * s_mm / 2);
  point.d_place << 1, 0, -arm.y, 0, by_curvature.x, by_rate.x,  //
      0, 1, arm.x, 0, by_curvature.y, by_rate.y;
  point.d_heading << 0, 0, 1, 0, s_mm, s_mm * s_mm / 2;
  return point;
}

Foot foot_of(const Link& link, PointMm p) {
  const PointMm q =
      turned(p - link.middle, std::cos(link.heading_rad), -std::sin(link.heading_rad));
  if (link.kind == PieceKind::line) return {q.x, q.y};
  const double k = link.curvature;
  const double root = std::sqrt(std::max(0.0, 1 + k * (k * dot(q, q) - 2 * q.y)));
  Foot foot;
  foot.offset_mm = (2 * q.y - k * dot(q, q)) / (1 + root);
  const double angle = std::atan2(k * q.x, 1 - k * q.y);
  foot.s_mm = std::abs(k) > 1e-12 ? angle / k : q.x;
  if (link.kind == PieceKind::arc) return foot;
  const double reach = link.length_mm;  // the clothoid is not used beyond this
  foot.s_mm = std::clamp(foot.s_mm, -reach, reach);
  for (int i = 0; i < 4; ++i) {
    const PointMm c = clothoid_local(k, link.rate, foot.s_mm).place;
    const double heading = k * foot.s_mm + link.rate * foot.s_mm * foot.s_mm / 2;
    const PointMm along{std::cos(heading), std::sin(heading)};
    foot.offset_mm = cross(along, q - c);
    const double bend = 1 - (k + link.rate * foot.s_mm) * foot.offset_mm;
    const double step = dot(along, q - c) / std::max(bend, 0.2);
    foot.s_mm = std::clamp(foot.s_mm + step, -reach, reach);
    if (std::abs(step) < 1e-6) break;
  }
  return foot;
}

int free_unknowns(const Chain& chain) {
  int count = 0;
  for (const Link& link : chain.links) count += unknowns(link.kind) - (link.kink_after ? 2 : 3);
  return count;
}

void refine(Chain& chain, const Samples& samples) {
  constexpr int kMostSteps = 15;
  constexpr double kStill_mm = 1e-3;
  chain.converged = false;
  Eigen::MatrixXd rows;
  Eigen::VectorXd mismatch;
  double before_mm = 0;
  for (int i = 0; i < kMostSteps && !chain.converged; ++i) {
    assign_samples(chain, samples.points);
    const Normal normal = normal_equations(chain, samples);
    joint_equations(chain, rows, mismatch);
    const Eigen::MatrixXd inverse = block_inverse(normal);
    const Eigen::MatrixXd reach = apply(inverse, rows.transpose());
    const Eigen::LLT<Eigen::MatrixXd> dual(rows * reach);
    if (dual.info() != Eigen::Success) break;
    Eigen::VectorXd gradient(rows.cols());
    for (std::size_t k = 0; k < normal.gradient.size(); ++k) {
      gradient.segment<6>(static_cast<Eigen::Index>(6 * k)) = normal.gradient[k];
    }
    const Eigen::VectorXd alone = apply(inverse, gradient);
    const Eigen::VectorXd step = alone + reach * dual.solve(mismatch - rows * alone);
    if (!step.allFinite()) break;
    const double furthest_mm = take_step(chain, step);
    chain.converged = furthest_mm < kStill_mm;
    // Steps that still grow after a third of the iterations seldom converge.
    if (i >= kMostSteps / 3 && furthest_mm > before_mm) break;
    before_mm = furthest_mm;
  }
  assign_samples(chain, samples.points);
  chain.chi2 = normal_equations(chain, samples).chi2;
  chain.bic = chain.chi2 + samples.cost_per_unknown * free_unknowns(chain);
  if (!std::isfinite(chain.bic)) chain.converged = false;
  chain.converged = chain.converged && is_plausible(chain, samples);
}

Response::Response(const Chain& chain, const Samples& samples) {
  const std::size_t n = samples.points.size(), count = chain.links.size();
  const Normal normal = normal_equations(chain, samples);
  Eigen::VectorXd mismatch;
  joint_equations(chain, joints_, mismatch);
  inverse_hessian_ = block_inverse(normal);
  dual_.compute(joints_ * apply(inverse_hessian_, joints_.transpose()));
  ok_ = dual_.info() == Eigen::Success;
  kink_gains_.assign(count, 0.0);
  pair_gains_.assign(count, 0.0);
  if (ok_) {
    Eigen::VectorXd gradient(joints_.cols());
    for (std::size_t k = 0; k < count; ++k) {
      gradient.segment<6>(static_cast<Eigen::Index>(6 * k)) = normal.gradient[k];
    }
    const Eigen::VectorXd multiplier =
        dual_.solve(mismatch - joints_ * apply(inverse_hessian_, gradient));
    const Eigen::MatrixXd inverse =
        dual_.solve(Eigen::MatrixXd::Identity(joints_.rows(), joints_.rows()));
    Eigen::Index row = 0;
    std::vector<Eigen::Index> heading_row(count, -1);
    for (std::size_t k = 0; k < count; ++k) {
      row += 2;
      if (chain.links[k].kink_after) continue;
      kink_gains_[k] = multiplier[row] * multiplier[row] / inverse(row, row);
      heading_row[k] = row;
      row += 1;
    }
    for (std::size_t k = 0; k < count; ++k) {
      const Eigen::Index a = heading_row[(k + count - 1) % count], b = heading_row[k];
      if (a < 0 || b < 0 || a == b) continue;
      const Eigen::Vector2d both(multiplier[a], multiplier[b]);
      Eigen::Matrix2d block;
      block << inverse(a, a), inverse(a, b), inverse(b, a), inverse(b, b);
      pair_gains_[k] = both.dot(block.ldlt().solve(both));
    }
  }
  gradient_.resize(n);
  normals_.resize(n);
  link_of_.resize(n);
  for (std::size_t k = 0; k < count; ++k) {
    const Link& link = chain.links[k];
    const DatumOf datum_of(link);
    const std::size_t many = (chain.links[(k + 1) % count].first + n - link.first) % n;
    for (std::size_t j = 0; j < many; ++j) {
      const std::size_t i = (link.first + j) % n;
      const Unknowns gradient = datum_of(samples.points[i]).gradient;
      gradient_[i] = samples.weight[i] * gradient;
      normals_[i] = {gradient[0], gradient[1]};
      link_of_[i] = k;
    }
  }
}

Eigen::MatrixXd Response::step(const Eigen::MatrixXd& gradient) const {
  const Eigen::MatrixXd alone = apply(inverse_hessian_, gradient);
  return alone - apply(inverse_hessian_, joints_.transpose() * dual_.solve(joints_ * alone));
}

void Response::add_gradient(std::size_t sample, double offset_mm,
                            Eigen::Ref<Eigen::VectorXd> gradient) const {
  gradient.segment<6>(static_cast<Eigen::Index>(6 * link_of_[sample])) +=
      offset_mm * gradient_[sample];
}

}  // namespace panecard::outline
