// The least squares problem behind card.h's fit_plane: parameters, priors, residuals, solver.
//
// Parameters, in this order:
//   plane and lens   as PlaneVector
//   curvature        kxx, kxy, kyy (1/mm) of the pane at the plane's origin; zero except in tests
//   of
//                    whether the pane is curved. A sheet bends with the pane, a rigid card lies on
//                    the tangent plane at its centre; places on the pane are developed lengths.
//   per card         OwnParameter; place and turn of the first card are zero by definition
#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "card/card.h"

namespace panecard::card {

enum OwnParameter {
  kX,
  kY,     ///< of its centre on the pane, mm
  kTurn,  ///< rad, counter-clockwise
  kScaleU,
  kScaleV,  ///< relative error of its width and height
  kLift,    ///< of its face above the pane, mm
  kTiltU,
  kTiltV,    ///< slopes of its face against the pane
  kOutward,  ///< px that its edges seem moved outwards (blooming, rounded rim)
  kPerCard
};

int card_index(std::size_t card, int parameter);

inline constexpr int kLocalParameters = kPlaneSize + 3 + kPerCard;

struct Residuals {
  struct Row {
    int card = 0;
    Eigen::Matrix<double, kLocalParameters, 1> gradient;  ///< plane, lens, curvature, own
  };
  Eigen::VectorXd value;  ///< in units of the stated sigma
  std::vector<Row> rows;  ///< empty when no Jacobian was asked for
};

struct Normal {
  Eigen::MatrixXd matrix;
  Eigen::VectorXd gradient;
};

struct Fit {
  Eigen::VectorXd value;
  Eigen::MatrixXd covariance;  ///< zero for fixed parameters
  Residuals residuals;
  Eigen::VectorXd weight;  ///< robust, of each residual
  Normal normal;           ///< of the data alone
  double chi2 = 0, freedom = 0;
  bool converged = false;
};

class PlaneProblem {
 public:
  PlaneProblem(const std::vector<Sighting>& cards, const photo::Lens& lens);

  const Eigen::VectorXd& mean() const { return mean_; }
  std::vector<int> free_parameters() const;  ///< of a flat pane with flat cards on it
  std::optional<Residuals> residuals(const Eigen::VectorXd& value, bool jacobian) const;
  Normal normal(const Residuals& r, const Eigen::VectorXd& weight) const;
  /// Inverse of the prior covariance, without the parameters named.
  Eigen::MatrixXd prior_information(const std::vector<int>& released) const;

  /// Levenberg-Marquardt with Huber's weights. `scale` multiplies every stated sigma.
  std::optional<Fit> solve(Eigen::VectorXd start, const std::vector<int>& free, double scale,
                           const std::vector<int>& released = {}, int max_iterations = 30) const;

 private:
  const std::vector<Sighting>& cards_;
  Eigen::VectorXd mean_;
  Eigen::MatrixXd prior_;
  std::size_t rows_ = 0;
};

}  // namespace panecard::card
