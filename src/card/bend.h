// Bayesian model averaging over flat and bent panes. Method: docs/bend.md.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "card/plane_fit.h"

namespace panecard::card {

/// One independent source of uncertainty of the parameters in `ModelAverage::indices`.
struct Source {
  ErrorSource cause;
  Eigen::MatrixXd covariance;  ///< in the order of ModelAverage::indices
};

struct ModelAverage {
  Fit flat, best;       ///< best: of the most probable model
  BendPrior best_bend;  ///< prior of that model
  double bent_probability = 0;
  Eigen::VectorXd value;        ///< all parameters: of the best model, or the mean
  std::vector<int> indices;     ///< poses, lenses, bend
  std::vector<Source> sources;  ///< the total covariance is the sum of theirs
};

/// Fits the flat and the bent models from `start` and averages them by their evidence. nullopt when
/// a fit fails.
/// @param up  the photo's upward direction in the plane frame, unit length: the models'
///            priors bend about a level or an upright axis
std::optional<ModelAverage> average_bend_models(PlaneProblem problem, const Eigen::VectorXd& start,
                                                const Eigen::Vector2d& up,
                                                const std::optional<MeasuredBow>& bow);

/// The nearest positive semidefinite matrix to a symmetric one (Frobenius norm, negative
/// eigenvalues set to zero), after scaling by its diagonal: the parameters differ by orders of
/// magnitude.
/// @param size  typical size of each parameter, positive: a diagonal far below it is rounding
Eigen::MatrixXd nearest_psd(const Eigen::MatrixXd& m, const Eigen::VectorXd& size);

}  // namespace panecard::card
