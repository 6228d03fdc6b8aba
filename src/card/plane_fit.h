// Bundle adjustment behind card.h's fit_plane: parameters, priors, residuals, solver.
//
// Parameters, in this order:
//   per photo        rotation and translation of camera_from_plane (6)
//   per lens         as photo::LensVector (8); photos whose lens is the same profile share it
//   bend             curvature xx, xy, yy (1/mm) of the pane at the plane's origin; fixed unless a
//                    prior for it is given. Paper follows the bent pane, a rigid card lies in the
//                    tangent plane at its centre; positions on the pane are developed lengths.
//   per card         CardParameter; pose of the first card on the pane is zero by definition
#pragma once

#include <Eigen/Core>
#include <array>
#include <optional>
#include <vector>

#include "card/card.h"

namespace panecard::card {

enum CardParameter {
  kX,
  kY,     ///< of its centre on the pane, mm
  kTurn,  ///< rad, counter-clockwise
  kScaleU,
  kScaleV,  ///< relative error of its width and height
  kHeight,  ///< of its face above the pane, mm
  kTiltU,
  kTiltV,      ///< slopes of its face against the pane
  kEdgeShift,  ///< px, common outward shift of its edges in the image (blooming, rounded rim)
  kPerCard
};

inline constexpr int kLocalParameters = kPlaneSize + kPerCard;

/// One card seen in one photo.
struct Observation {
  const DetectedCard* card = nullptr;
  int view = 0;  ///< index of the photo
  int body = 0;  ///< index of the physical card, the same in every photo that shows it
};

struct Residuals {
  struct Row {
    int observation = 0;
    Eigen::Matrix<double, kLocalParameters, 1> gradient;  ///< by plane, lens, bend, CardParameter
  };
  Eigen::VectorXd value;  ///< in units of the stated sigma
  std::vector<Row> rows;  ///< empty when no Jacobian was asked for
};

/// Normal equations: J'WJ and J'Wr.
struct Normal {
  Eigen::MatrixXd matrix;
  Eigen::VectorXd gradient;
};

struct Fit {
  Eigen::VectorXd value;
  Eigen::MatrixXd covariance;  ///< zero for fixed parameters
  Residuals residuals;
  Eigen::VectorXd weight;  ///< robust, of each residual
  Normal normal;           ///< of the data alone, in units of the stated sigmas
  double chi2 = 0, degrees_of_freedom = 0;
  double cost = 0;             ///< robust chi-square over scale^2, plus the priors' chi-square
  double log_information = 0;  ///< log determinant of the free parameters' information matrix
  double scale = 1;            ///< factor on the stated sigmas
  bool converged = false;
};

/// Gaussian prior of the curvature (xx, xy, yy), 1/mm.
struct BendPrior {
  Eigen::Vector3d mean = Eigen::Vector3d::Zero();
  Eigen::Matrix3d covariance = Eigen::Matrix3d::Zero();  ///< zero: fixed at the mean
};

class PlaneProblem {
 public:
  /// The views must outlive the problem.
  explicit PlaneProblem(const std::vector<View>& views);
  PlaneProblem(const std::vector<DetectedCard>& cards, const photo::Lens& lens);

  int pose_index(int view) const { return 6 * view; }
  int lens_index(int view) const { return lens_at_[static_cast<std::size_t>(view)]; }
  int bend_index() const { return bend_at_; }
  int body_index(int body, int parameter) const {
    return bend_at_ + 3 + kPerCard * body + parameter;
  }
  const std::vector<Observation>& observations() const { return observations_; }
  int views() const { return static_cast<int>(lens_at_.size()); }
  int bodies() const { return static_cast<int>(bodies_.size()); }
  const DetectedCard& body(int i) const { return *bodies_[static_cast<std::size_t>(i)]; }
  /// Indices of one photo's plane: pose, lens, bend, as PlaneVector orders them.
  std::array<int, kPlaneSize> plane_indices(int view) const;

  void set_bend(const BendPrior& prior);
  const Eigen::VectorXd& mean() const { return mean_; }
  const Eigen::MatrixXd& prior() const { return prior_; }
  std::vector<int> free_parameters() const;
  std::optional<Residuals> residuals(const Eigen::VectorXd& value, bool jacobian) const;
  Normal normal(const Residuals& r, const Eigen::VectorXd& weight) const;
  /// Inverse of the prior covariance; zero rows and columns for the `released` parameters.
  Eigen::MatrixXd prior_information(const std::vector<int>& released) const;

  /// Levenberg-Marquardt with Huber's weights. `scale` multiplies every stated sigma; `released`
  /// parameters have no prior. nullopt when a card lies behind the camera or the result is
  /// singular.
  std::optional<Fit> solve(Eigen::VectorXd start, const std::vector<int>& free, double scale,
                           const std::vector<int>& released = {}, int max_iterations = 30) const;

 private:
  void index_parameters(int views);

  std::vector<Observation> observations_;
  std::vector<const DetectedCard*> bodies_;
  std::vector<int> lens_at_;
  std::vector<const photo::Lens*> lenses_;  ///< per view
  int bend_at_ = 0;
  Eigen::VectorXd mean_;
  Eigen::MatrixXd prior_;
  std::size_t rows_ = 0;
};

}  // namespace panecard::card
