#include "card/bend.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

namespace panecard::card {

namespace {

using Eigen::Matrix2d;
using Eigen::Matrix3d;
using Eigen::MatrixXd;
using Eigen::Vector2d;
using Eigen::Vector3d;
using Eigen::VectorXd;

// Common practice, as standard deviations: a bent side glass has a radius of 1 m to 2 m about one
// axis, nearly straight along it. docs/bend.md.
constexpr double kSigmaAcross = 0.7e-3, kSigmaAlong = 0.05e-3, kSigmaAnyAxis = 0.5e-3;  // 1/mm

struct Model {
  double prior = 0;  ///< prior probability
  BendPrior bend;
  bool bent = false;
};

/// Prior of (xx, xy, yy) in the plane frame, given in the frame of `axis` (unit vector): curvature
/// along it, mixed, across it.
BendPrior turned_prior(const Vector2d& axis, double along, double across, double sigma_along,
                       double sigma_mixed, double sigma_across) {
  const Vector2d other(-axis.y(), axis.x());
  Eigen::Matrix<double, 3, 3> to_frame;  // columns: along, mixed, across
  const auto column = [](const Matrix2d& k) { return Vector3d(k(0, 0), k(0, 1), k(1, 1)); };
  to_frame.col(0) = column(axis * axis.transpose());
  to_frame.col(1) = column(axis * other.transpose() + other * axis.transpose());
  to_frame.col(2) = column(other * other.transpose());
  const Vector3d s(sigma_along, sigma_mixed, sigma_across);
  const Matrix3d root = to_frame * s.asDiagonal();
  return {to_frame * Vector3d(along, 0, across), root * root.transpose()};
}

std::vector<Model> models_for(const Vector2d& up, const std::optional<MeasuredBow>& bow) {
  const Vector2d level(up.y(), -up.x());
  if (bow) {
    const double k = bow->curvature_per_mm, s = bow->sigma_per_mm;
    const Vector2d axis = bow->vertical_axis ? up : level;
    // Along the axis the bow is taken as zero, with the same uncertainty as across it.
    return {{1, turned_prior(axis, 0, k, s, s, s), true}};
  }
  return {{0.5, {}, false},
          {0.3, turned_prior(level, 0, 0, kSigmaAlong, kSigmaAlong, kSigmaAcross), true},
          {0.1, turned_prior(up, 0, 0, kSigmaAlong, kSigmaAlong, kSigmaAcross), true},
          {0.1, turned_prior(level, 0, 0, kSigmaAnyAxis, kSigmaAnyAxis, kSigmaAnyAxis), true}};
}

/// Laplace's approximation of the log evidence, up to a constant common to all models (Bishop 2006,
/// 4.4.1).
double log_evidence(const Fit& fit, const Model& model) {
  double log_prior = 0;
  if (model.bent) log_prior = -0.5 * std::log(model.bend.covariance.determinant());
  return -0.5 * fit.cost - 0.5 * fit.log_information + log_prior;
}

/// The parameters whose prior is one source of uncertainty, by the source's name.
std::vector<std::pair<ErrorSource, std::vector<int>>> prior_groups(const PlaneProblem& problem) {
  std::vector<int> lens, print, size, lift, edge_shift, bend;
  for (int i = 6 * problem.views(); i < problem.bend_index(); ++i) lens.push_back(i);
  for (int i = 0; i < 3; ++i) bend.push_back(problem.bend_index() + i);
  for (int b = 0; b < problem.bodies(); ++b) {
    std::vector<int>& scale = problem.body(b).kind == Kind::plain ? size : print;
    scale.push_back(problem.body_index(b, kScaleU));
    scale.push_back(problem.body_index(b, kScaleV));
    lift.push_back(problem.body_index(b, kHeight));
    edge_shift.push_back(problem.body_index(b, kEdgeShift));
  }
  return {{ErrorSource::lens, lens},
          {ErrorSource::print_scale, print},
          {ErrorSource::card_size, size},
          {ErrorSource::card_thickness, lift},
          {ErrorSource::edge_creep, edge_shift},
          {ErrorSource::bow, bend}};
}

/// Covariance C of the fit by source: with information H = sum of P_b, C = sum of C P_b C.
std::vector<Source> covariance_by_source(const PlaneProblem& problem, const Fit& fit,
                                         const std::vector<int>& indices) {
  const auto part = [&](const MatrixXd& information) {
    const MatrixXd rows = fit.covariance(indices, Eigen::all);
    return MatrixXd(rows * information * rows.transpose());
  };
  std::vector<Source> sources;
  sources.push_back({ErrorSource::corner_noise, part(fit.normal.matrix / (fit.scale * fit.scale))});
  const MatrixXd information = problem.prior_information({});
  for (const auto& [cause, group] : prior_groups(problem)) {
    MatrixXd own = MatrixXd::Zero(information.rows(), information.cols());
    own(group, group) = information(group, group);
    const MatrixXd covariance = part(own);
    if (covariance.diagonal().maxCoeff() > 0) sources.push_back({cause, covariance});
  }
  return sources;
}

struct WeightedFit {
  Fit fit;
  double probability = 0;
};

void add_bow(const MatrixXd& spread, std::vector<Source>& sources) {
  const auto bow = std::find_if(sources.begin(), sources.end(),
                                [](const Source& s) { return s.cause == ErrorSource::bow; });
  if (bow == sources.end()) {
    sources.push_back({ErrorSource::bow, spread});
  } else {
    bow->covariance += spread;
  }
}

}  // namespace

MatrixXd nearest_psd(const MatrixXd& m, const VectorXd& size) {
  constexpr double kRounding = 1e-6;  // of a size: relative rounding error of a cancelled variance
  const VectorXd s = m.diagonal().cwiseAbs().cwiseSqrt().cwiseMax(kRounding * size);
  const auto unit = s.cwiseInverse().asDiagonal();
  const MatrixXd scaled = unit * m * unit;
  const Eigen::SelfAdjointEigenSolver<MatrixXd> eigen(0.5 * (scaled + scaled.transpose()));
  const MatrixXd kept = eigen.eigenvectors() * eigen.eigenvalues().cwiseMax(0).asDiagonal() *
                        eigen.eigenvectors().transpose();
  return s.asDiagonal() * kept * s.asDiagonal();
}

std::optional<ModelAverage> average_bend_models(PlaneProblem problem, const VectorXd& start,
                                                const Vector2d& up,
                                                const std::optional<MeasuredBow>& bow) {
  const std::vector<Model> models = models_for(up, bow);
  // The noise level comes from the most general model: with one of its own, a wrong model would
  // explain its misfit as noise.
  problem.set_bend(models.back().bend);
  const auto most_general = problem.solve(start, problem.free_parameters(), 1);
  if (!most_general) return std::nullopt;
  const double scale = std::sqrt(
      std::max(1.0, most_general->chi2 / std::max(1.0, most_general->degrees_of_freedom)));

  ModelAverage out;
  problem.set_bend({});
  const auto flat = problem.solve(start, problem.free_parameters(), scale);
  if (!flat) return std::nullopt;
  out.flat = *flat;
  std::vector<WeightedFit> fitted;
  double most = -std::numeric_limits<double>::infinity(), total = 0;
  std::vector<double> log_weight;
  std::vector<std::optional<Fit>> fits(models.size(), flat);
  cv::parallel_for_({0, static_cast<int>(models.size())}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      if (!models[i].bent) continue;
      PlaneProblem own = problem;
      own.set_bend(models[i].bend);
      fits[i] = own.solve(most_general->value, own.free_parameters(), scale);
    }
  });
  for (std::size_t i = 0; i < models.size(); ++i) {
    if (!fits[i]) return std::nullopt;
    log_weight.push_back(std::log(models[i].prior) + log_evidence(*fits[i], models[i]));
    most = std::max(most, log_weight.back());
    fitted.push_back({*std::move(fits[i]), 0});
  }
  for (const double w : log_weight) total += std::exp(w - most);
  std::size_t best = 0;
  for (std::size_t i = 0; i < fitted.size(); ++i) {
    fitted[i].probability = std::exp(log_weight[i] - most) / total;
    if (models[i].bent) out.bent_probability += fitted[i].probability;
    if (log_weight[i] == most) best = i;
  }
  out.best = fitted[best].fit;
  out.best_bend = models[best].bend;
  problem.set_bend(out.best_bend);

  for (int i = 0; i < problem.bend_index() + 3; ++i) out.indices.push_back(i);
  // A model that is nearly certain gives the estimate, else the mean over all models does. Either
  // way the covariance includes the spread between the models (Hoeting et al. 1999).
  constexpr double kNearlyCertain = 0.95;
  out.value = out.best.value;
  if (fitted[best].probability < kNearlyCertain) {
    out.value.setZero();
    for (const WeightedFit& t : fitted) out.value += t.probability * t.fit.value;
  }
  MatrixXd spread = MatrixXd::Zero(problem.bend_index() + 3, problem.bend_index() + 3);
  VectorXd variance = VectorXd::Zero(spread.rows());
  for (const WeightedFit& t : fitted) {
    const VectorXd off = (t.fit.value - out.value)(out.indices);
    spread += t.probability * (off * off.transpose() +
                               (t.fit.covariance - out.best.covariance)(out.indices, out.indices));
    variance = variance.cwiseMax(t.fit.covariance.diagonal()(out.indices));
  }
  // A parameter that is fixed in all models has no size of its own; any positive one serves.
  const VectorXd size = (variance.array() > 0).select(variance.cwiseSqrt(), 1.0);
  out.sources = covariance_by_source(problem, out.best, out.indices);
  add_bow(nearest_psd(spread, size), out.sources);
  return out;
}

}  // namespace panecard::card
