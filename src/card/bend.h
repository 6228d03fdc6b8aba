// Flat or bent: the models of the pane's face, weighed by their evidence. Method: docs/bend.md.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "card/plane_fit.h"

namespace panecard::card {

/// One independent group of causes of the error of everything in `Weighed::indices`.
struct Source {
  ErrorSource cause;
  Eigen::MatrixXd covariance;  ///< of the shared parameters, in the order of Weighed::indices
};

struct Weighed {
  Fit flat, best;       ///< best: of the most probable model
  BendPrior best_bend;  ///< what that model knew beforehand
  double bent_probability = 0;
  Eigen::VectorXd value;        ///< of everything; the mean over the models
  std::vector<int> indices;     ///< poses, lenses, bend
  std::vector<Source> sources;  ///< whose covariances add up
};

/// Fits the flat pane and the bent ones from `start`. nullopt when not even the flat one fits.
/// @param up  the photo's upward direction in the plane frame, unit length: most panes bend about a
///            level axis
std::optional<Weighed> weigh_bends(PlaneProblem problem, const Eigen::VectorXd& start,
                                   const Eigen::Vector2d& up,
                                   const std::optional<MeasuredBow>& bow);

/// The nearest positive semidefinite matrix to a symmetric one, in units of its own diagonal: the
/// parameters differ by many orders.
/// @param size  of each parameter, positive: a diagonal of nothing beside it is rounding
Eigen::MatrixXd positive_part(const Eigen::MatrixXd& m, const Eigen::VectorXd& size);

}  // namespace panecard::card
