#include "card/plane_fit.h"

#include <ceres/jet.h>
#include <ceres/rotation.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <optional>

#include "card/plain.h"

namespace panecard::card {

namespace {

using Eigen::MatrixXd;
using Eigen::Vector2d;
using Eigen::Vector3d;
using Eigen::VectorXd;

// Priors; docs/card.md says where each comes from.
constexpr double kSigmaThicknessMm = 0.05;
constexpr double kSigmaSheetScale = 1e-3, kSigmaCardScale = 5e-4;  // common to all prints of a kind
constexpr double kSigmaOwnScale = 2e-4;                            // from one print to the next
constexpr double kSigmaPrintAspect = 3e-4;  // machine direction of the paper against across
constexpr double kSigmaEdgeShiftPx = 0.05;
// Thinner cards follow the glass: bending stiffness grows with the cube of the thickness, and paper
// has 0.1 mm, an ID-1 card 0.76 mm.
constexpr double kFlexible_mm = 0.3;

constexpr int kLocals = kLocalParameters;
using Jet = ceres::Jet<double, kLocals>;

template <typename T>
struct Projection {
  T x, y;
  bool in_front = true;
};

/// Pinhole projection with distortion. `globals` in the order of PlaneVector.
template <typename T>
Projection<T> project(const T* globals, const Point3<T>& at) {
  const T point[3] = {at.x, at.y, at.z};
  T c[3];
  ceres::AngleAxisRotatePoint(globals, point, c);
  c[0] += globals[3], c[1] += globals[4], c[2] += globals[5];
  const T* lens = globals + kLensOffset;
  const T u = c[0] / c[2], v = c[1] / c[2];
  const T r2 = u * u + v * v;
  const T radial = 1.0 + r2 * (lens[photo::kK1] + r2 * (lens[photo::kK2] + r2 * lens[photo::kK3]));
  const T &p1 = lens[photo::kP1], &p2 = lens[photo::kP2];
  const T ud = u * radial + 2.0 * p1 * u * v + p2 * (r2 + 2.0 * u * u);
  const T vd = v * radial + 2.0 * p2 * u * v + p1 * (r2 + 2.0 * v * v);
  return {lens[photo::kF] * ud + lens[photo::kCx], lens[photo::kF] * vd + lens[photo::kCy],
          c[2] > 1e-6};
}

/// Projects a point of the card's face; `own` in the order of CardParameter. A `rigid` card lies in
/// the tangent plane at its centre, another one follows the bent pane.
template <typename T>
Projection<T> project_on_card(const T* globals, const T* own, PointMm at, bool rigid) {
  using std::cos;
  using std::sin;
  const T u = at.x * (1.0 + own[kScaleU]), v = at.y * (1.0 + own[kScaleV]);
  const T c = cos(own[kTurn]), s = sin(own[kTurn]);
  const T dx = c * u - s * v, dy = s * u + c * v;
  const CurvatureTensor<T> bend{globals[kCurvatureOffset], globals[kCurvatureOffset + 1],
                                globals[kCurvatureOffset + 2]};
  const T height = own[kHeight] + own[kTiltU] * u + own[kTiltV] * v;
  if (!rigid)
    return project(globals, point_on_surface(bend, T(own[kX] + dx), T(own[kY] + dy), height));
  Point3<T> point = point_on_surface(bend, own[kX], own[kY], height);
  const T slope_x = bend.xx * own[kX] + bend.xy * own[kY];
  const T slope_y = bend.xy * own[kX] + bend.yy * own[kY];
  const SincTerms<T> turned(slope_x * slope_x + slope_y * slope_y);
  const T along = slope_x * dx + slope_y * dy;
  point.x += dx - slope_x * along * turned.cosine_rest;
  point.y += dy - slope_y * along * turned.cosine_rest;
  point.z -= along * turned.sine_over;
  return project(globals, point);
}

/// Adds the prior covariance of the parameters of each card; the diagonal stays zero for parameters
/// without a prior.
void add_card_priors(const PlaneProblem& problem, MatrixXd& c) {
  const auto at = [&](int body, int parameter) { return problem.body_index(body, parameter); };
  for (int i = 0; i < problem.bodies(); ++i) {
    const DetectedCard& card = problem.body(i);
    const int u = at(i, kScaleU), v = at(i, kScaleV);
    c(at(i, kHeight), at(i, kHeight)) = kSigmaThicknessMm * kSigmaThicknessMm;
    const bool plain = card.kind == Kind::plain;
    const double outward = plain ? kBloomSigma_px : kSigmaEdgeShiftPx;
    c(at(i, kEdgeShift), at(i, kEdgeShift)) = outward * outward;
    if (plain) {
      const PlainSize size_mm = card.plain.value_or(PlainSize{});
      c(u, u) = std::pow(size_mm.sigma_width_mm / size_mm.width_mm, 2);
      c(v, v) = std::pow(size_mm.sigma_height_mm / size_mm.height_mm, 2);
      continue;
    }
    const double shared =
        std::pow(card.kind == Kind::sheet ? kSigmaSheetScale : kSigmaCardScale, 2);
    const double own = kSigmaOwnScale * kSigmaOwnScale,
                 aspect = kSigmaPrintAspect * kSigmaPrintAspect;
    for (int j = 0; j < problem.bodies(); ++j) {
      if (problem.body(j).kind != card.kind) continue;
      for (const int a : {kScaleU, kScaleV}) {
        for (const int b : {kScaleU, kScaleV}) {
          double& entry = c(at(i, a), at(j, b));
          entry += shared;
          if (i == j) entry += own + (a == b ? aspect : -aspect);
        }
      }
    }
  }
}

bool same_lens(const photo::Lens& a, const photo::Lens& b) {
  return a.model == b.model && !a.model.empty() && a.calibrated == b.calibrated &&
         a.value == b.value && a.covariance == b.covariance;
}

/// Coded cards of one number are one body. Plain cards have no identity: each photo has its own.
bool same_body(const DetectedCard& a, const DetectedCard& b) {
  return a.kind == b.kind && a.kind != Kind::plain && a.id == b.id;
}

std::size_t rows_of(const DetectedCard& card) {
  std::size_t rows = 2 * card.corners.size();
  for (const Edge& edge : card.edges) rows += edge.seen.size();
  return rows;
}

}  // namespace

PlaneProblem::PlaneProblem(const std::vector<View>& views) {
  for (std::size_t v = 0; v < views.size(); ++v) {
    const std::size_t known = bodies_.size();
    std::vector<bool> taken(known, false);
    for (const DetectedCard& card : views[v].cards) {
      std::size_t body = 0;
      while (body < known && (taken[body] || !same_body(*bodies_[body], card))) ++body;
      if (body == known) {
        body = bodies_.size();
        bodies_.push_back(&card);
      } else {
        taken[body] = true;
      }
      observations_.push_back({&card, static_cast<int>(v), static_cast<int>(body)});
    }
    lenses_.push_back(&views[v].lens);
  }
  index_parameters(static_cast<int>(views.size()));
}

PlaneProblem::PlaneProblem(const std::vector<DetectedCard>& cards, const photo::Lens& lens)
    : lenses_{&lens} {
  for (const DetectedCard& card : cards) {
    observations_.push_back({&card, 0, static_cast<int>(bodies_.size())});
    bodies_.push_back(&card);
  }
  index_parameters(1);
}

void PlaneProblem::index_parameters(int views) {
  int next = 6 * views;
  for (std::size_t v = 0; v < lenses_.size(); ++v) {
    std::size_t same = 0;
    while (same < v && !same_lens(*lenses_[same], *lenses_[v])) ++same;
    lens_at_.push_back(same < v ? lens_at_[same] : next);
    if (same == v) next += photo::kLensSize;
  }
  bend_at_ = next;
  const int size = body_index(bodies(), 0);
  mean_ = VectorXd::Zero(size);
  prior_ = MatrixXd::Zero(size, size);
  for (std::size_t v = 0; v < lenses_.size(); ++v) {
    mean_.segment<photo::kLensSize>(lens_at_[v]) = lenses_[v]->value;
    prior_.block<photo::kLensSize, photo::kLensSize>(lens_at_[v], lens_at_[v]) =
        lenses_[v]->covariance;
  }
  for (int i = 0; i < bodies(); ++i) mean_[body_index(i, kHeight)] = body(i).thickness_mm;
  add_card_priors(*this, prior_);
  for (const Observation& observation : observations_) rows_ += rows_of(*observation.card);
}

void PlaneProblem::set_bend(const BendPrior& prior) {
  mean_.segment<3>(bend_at_) = prior.mean;
  prior_.block<3, 3>(bend_at_, bend_at_) = prior.covariance;
}

std::array<int, kPlaneSize> PlaneProblem::plane_indices(int view) const {
  std::array<int, kPlaneSize> indices{};
  for (int i = 0; i < kPlaneSize; ++i) {
    indices[static_cast<std::size_t>(i)] = i < kLensOffset ? pose_index(view) + i
                                           : i < kCurvatureOffset
                                               ? lens_index(view) + i - kLensOffset
                                               : bend_at_ + i - kCurvatureOffset;
  }
  return indices;
}

std::vector<int> PlaneProblem::free_parameters() const {
  std::vector<int> free;
  const int second_body = body_index(1, 0);
  for (int i = 0; i < mean_.size(); ++i) {
    const bool pose = i < 6 * views();
    const int own = i < second_body ? -1 : (i - second_body) % kPerCard;
    const bool place = own == kX || own == kY || own == kTurn;
    if (pose || place || prior_(i, i) > 0) free.push_back(i);
  }
  return free;
}

MatrixXd PlaneProblem::prior_information(const std::vector<int>& released) const {
  std::vector<int> known;
  for (int i = 0; i < mean_.size(); ++i) {
    const bool released_here = std::find(released.begin(), released.end(), i) != released.end();
    if (prior_(i, i) > 0 && !released_here) known.push_back(i);
  }
  const MatrixXd covariance = prior_(known, known);
  const VectorXd s = covariance.diagonal().cwiseSqrt();
  const MatrixXd correlation =
      s.cwiseInverse().asDiagonal() * covariance * s.cwiseInverse().asDiagonal();
  MatrixXd information = MatrixXd::Zero(mean_.size(), mean_.size());
  information(known, known) = s.cwiseInverse().asDiagonal() *
                              correlation.ldlt().solve(MatrixXd::Identity(s.size(), s.size())) *
                              s.cwiseInverse().asDiagonal();
  return information;
}

namespace {

/// The point of the line a-b that projects closest to a sample, and the outward normal there.
struct EdgePoint {
  PointMm at;
  Vector2d outward;
};

std::optional<EdgePoint> closest_edge_point(const double* globals, const double* own,
                                            const Edge& edge, PointPx seen, bool rigid) {
  const auto on_edge = [&](double t) {
    return PointMm{edge.a.x + t * (edge.b.x - edge.a.x), edge.a.y + t * (edge.b.y - edge.a.y)};
  };
  double t = 0.5;
  Vector2d along(0, 0), point(0, 0);
  for (int i = 0; i < 4; ++i) {
    const Projection<double> p = project_on_card(globals, own, on_edge(t), rigid);
    const Projection<double> q = project_on_card(globals, own, on_edge(t + 1e-3), rigid);
    if (!p.in_front || !q.in_front) return std::nullopt;
    point = {p.x, p.y};
    along = Vector2d(q.x - p.x, q.y - p.y) / 1e-3;
    t += along.dot(Vector2d(seen.x, seen.y) - point) / along.squaredNorm();
    if (!std::isfinite(t) || std::abs(t - 0.5) > 2) return std::nullopt;
  }
  const Projection<double> middle = project_on_card(globals, own, PointMm{0, 0}, rigid);
  Vector2d outward = Vector2d(-along.y(), along.x()).normalized();
  if (outward.dot(point - Vector2d(middle.x, middle.y)) < 0) outward = -outward;
  return EdgePoint{on_edge(t), outward};
}

}  // namespace

namespace {

/// Residuals of one observation, corners first, then edges. `put` takes each residual, as a Jet
/// when the Jacobian is wanted. False when the card would lie behind the camera.
template <typename T, typename Put>
bool observation_residuals(const DetectedCard& card, const T* globals, const T* own,
                           const double* globals_at, const double* own_at, const Put& put) {
  const bool rigid = card.thickness_mm > kFlexible_mm;
  for (const Corner& corner : card.corners) {
    const Projection<T> p = project_on_card(globals, own, corner.on_card, rigid);
    if (!p.in_front) return false;
    put(T((p.x - corner.seen.x) / corner.sigma_px));
    put(T((p.y - corner.seen.y) / corner.sigma_px));
  }
  for (const Edge& edge : card.edges) {
    for (const PointPx seen : edge.seen) {
      const auto closest = closest_edge_point(globals_at, own_at, edge, seen, rigid);
      if (!closest) return false;
      const Projection<T> p = project_on_card(globals, own, closest->at, rigid);
      put(T(((p.x - seen.x) * closest->outward.x() + (p.y - seen.y) * closest->outward.y() +
             own[kEdgeShift]) /
            edge.sigma_px));
    }
  }
  return true;
}

}  // namespace

std::optional<Residuals> PlaneProblem::residuals(const VectorXd& value, bool jacobian) const {
  Residuals out;
  out.value.resize(static_cast<Eigen::Index>(rows_));
  if (jacobian) out.rows.resize(rows_);
  std::size_t row = 0;
  for (std::size_t g = 0; g < observations_.size(); ++g) {
    const Observation& observation = observations_[g];
    const auto indices = plane_indices(observation.view);
    const PlaneVector globals = value(indices);
    const double* own = value.data() + body_index(observation.body, 0);
    bool good = false;
    if (jacobian) {
      std::array<Jet, kPlaneSize> globals_jet;
      std::array<Jet, kPerCard> own_jet;
      for (int k = 0; k < kPlaneSize; ++k) globals_jet[k] = Jet(globals[k], k);
      for (int k = 0; k < kPerCard; ++k) own_jet[k] = Jet(own[k], kPlaneSize + k);
      good = observation_residuals(*observation.card, globals_jet.data(), own_jet.data(),
                                   globals.data(), own, [&](const Jet& r) {
                                     out.value[static_cast<Eigen::Index>(row)] = r.a;
                                     out.rows[row++] = {static_cast<int>(g), r.v};
                                   });
    } else {
      good =
          observation_residuals(*observation.card, globals.data(), own, globals.data(), own,
                                [&](double r) { out.value[static_cast<Eigen::Index>(row++)] = r; });
    }
    if (!good) return std::nullopt;
  }
  if (!out.value.allFinite()) return std::nullopt;
  return out;
}

Normal PlaneProblem::normal(const Residuals& r, const VectorXd& weight) const {
  Normal n;
  n.matrix = MatrixXd::Zero(mean_.size(), mean_.size());
  n.gradient = VectorXd::Zero(mean_.size());
  Eigen::Index row = 0;
  for (std::size_t g = 0; g < observations_.size(); ++g) {
    Eigen::Matrix<double, kLocals, kLocals> block = Eigen::Matrix<double, kLocals, kLocals>::Zero();
    Eigen::Matrix<double, kLocals, 1> gradient = Eigen::Matrix<double, kLocals, 1>::Zero();
    for (; row < r.value.size() && r.rows[row].observation == static_cast<int>(g); ++row) {
      const auto& slope = r.rows[row].gradient;
      block.selfadjointView<Eigen::Lower>().rankUpdate(slope, weight[row]);
      gradient += weight[row] * r.value[row] * slope;
    }
    block.triangularView<Eigen::StrictlyUpper>() = block.transpose();
    std::array<int, kLocals> at{};
    const auto plane = plane_indices(observations_[g].view);
    std::copy(plane.begin(), plane.end(), at.begin());
    std::iota(at.begin() + kPlaneSize, at.end(), body_index(observations_[g].body, 0));
    n.matrix(at, at) += block;
    n.gradient(at) += gradient;
  }
  return n;
}

namespace {

double median(VectorXd v) {
  const auto middle = v.data() + v.size() / 2;
  std::nth_element(v.data(), middle, v.data() + v.size());
  return *middle;
}

/// Huber's weights with a threshold of 3 robust sigmas (MAD) of the residuals, so that a systematic
/// misfit is not weighted down as outliers.
VectorXd huber_weights(const VectorXd& r) {
  const double limit = 3 * std::max(1.0, 1.4826 * median(r.cwiseAbs()));
  return r.unaryExpr(
      [limit](double v) { return std::abs(v) <= limit ? 1.0 : limit / std::abs(v); });
}

double huber_cost(const VectorXd& r, double limit) {
  return r
      .unaryExpr([limit](double v) {
        const double a = std::abs(v);
        return a <= limit ? a * a : 2 * limit * a - limit * limit;
      })
      .sum();
}

}  // namespace

std::optional<Fit> PlaneProblem::solve(VectorXd start, const std::vector<int>& free, double scale,
                                       const std::vector<int>& released, int max_iterations) const {
  const MatrixXd information = prior_information(released);
  const double data = 1 / (scale * scale);
  auto now = residuals(start, true);
  if (!now) return std::nullopt;
  double damping = 1e-4;
  Fit fit;
  for (int iteration = 0; iteration < max_iterations; ++iteration) {
    const double limit = 3 * std::max(1.0, 1.4826 * median(now->value.cwiseAbs()));
    const auto cost_of = [&](const VectorXd& r, const VectorXd& x) {
      return data * huber_cost(r, limit) + (x - mean_).dot(information * (x - mean_));
    };
    const double cost = cost_of(now->value, start);
    const Normal n = normal(*now, data * huber_weights(now->value));
    const MatrixXd h = (n.matrix + information)(free, free);
    const VectorXd g = (n.gradient + information * (start - mean_))(free);
    const VectorXd unit = h.diagonal().cwiseSqrt().cwiseMax(1e-12).cwiseInverse();
    const MatrixXd scaled = unit.asDiagonal() * h * unit.asDiagonal();
    bool better = false, settled = false;
    while (!better && damping < 1e8) {
      MatrixXd damped = scaled;
      damped.diagonal().array() += damping;
      VectorXd next = start;
      const VectorXd step = -unit.cwiseProduct(damped.ldlt().solve(unit.cwiseProduct(g)));
      next(free) += step;
      const auto trial = residuals(next, false);
      const double next_cost =
          trial ? cost_of(trial->value, next) : std::numeric_limits<double>::max();
      if (next_cost <= cost) {
        better = true;
        settled = cost - next_cost < 1e-7 * (1 + cost);
        start = next;
        damping = std::max(1e-9, damping * 0.05);
      } else {
        settled = std::abs(g.dot(step)) < 1e-7 * (1 + cost);
        if (settled) break;
        damping *= 10;
      }
    }
    now = residuals(start, true);
    if (!now) return std::nullopt;
    fit.converged = settled;
    if (settled || !better) break;
  }
  fit.value = start;
  fit.residuals = *now;
  fit.weight = huber_weights(now->value);
  fit.normal = normal(*now, fit.weight);
  fit.chi2 = now->value.cwiseProduct(fit.weight).dot(now->value);
  fit.scale = scale;
  const double limit = 3 * std::max(1.0, 1.4826 * median(now->value.cwiseAbs()));
  fit.cost =
      data * huber_cost(now->value, limit) + (start - mean_).dot(information * (start - mean_));
  const MatrixXd h = (data * fit.normal.matrix + information)(free, free);
  const VectorXd unit = h.diagonal().cwiseSqrt().cwiseMax(1e-12).cwiseInverse();
  const MatrixXd scaled = unit.asDiagonal() * h * unit.asDiagonal();
  const Eigen::LDLT<MatrixXd> factored(scaled);
  const MatrixXd inverse = factored.solve(MatrixXd::Identity(h.rows(), h.cols()));
  fit.log_information = factored.vectorD().array().abs().log().sum() - 2 * unit.array().log().sum();
  fit.covariance = MatrixXd::Zero(mean_.size(), mean_.size());
  fit.covariance(free, free) = unit.asDiagonal() * inverse * unit.asDiagonal();
  fit.degrees_of_freedom =
      static_cast<double>(rows_) - data * (fit.covariance * fit.normal.matrix).trace();
  if (!fit.covariance.allFinite()) return std::nullopt;
  return fit;
}

}  // namespace panecard::card
