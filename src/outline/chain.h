// A closed chain of lines, arcs and clothoids, fitted to a contour as one curve by constrained
// least squares.
//
// The parameters of a link are those of its midpoint: place, heading, curvature, rate of curvature,
// and its length. Joints are equality constraints between neighbours, so that each residual depends
// on one link only and the Hessian is block diagonal. Units: mm, rad.
#pragma once

#include <Eigen/Dense>
#include <cmath>
#include <cstddef>
#include <numbers>
#include <vector>

#include "geom/geom.h"
#include "outline/outline.h"

namespace panecard::outline {

struct Link {
  PieceKind kind = PieceKind::line;
  PointMm middle;
  double heading_rad = 0;
  double length_mm = 0;
  double curvature = 0;     ///< 1/mm, positive to the left
  double rate = 0;          ///< d(curvature)/ds, 1/mm^2; free links only
  bool kink_after = false;  ///< the heading may jump at the joint with the next link
  std::size_t first = 0;    ///< samples first .. next link's first belong to it
};

/// Unknowns of a link, in this order: x, y, heading, length, then curvature, then rate.
inline int unknowns(PieceKind kind) {
  return kind == PieceKind::line ? 4 : kind == PieceKind::arc ? 5 : 6;
}
using Unknowns = Eigen::Matrix<double, 6, 1>;

/// A point on a link, and its derivatives with respect to the link's unknowns.
struct LinkPoint {
  PointMm place;
  double heading_rad = 0, curvature = 0;
  Eigen::Matrix<double, 2, 6>
      d_place;  ///< d(place)/d(unknowns) at a fixed distance from the middle
  Eigen::Matrix<double, 1, 6> d_heading;  ///< d(heading)/d(unknowns), likewise
};
LinkPoint link_point_at(const Link& link, double s_mm);

/// Into [-pi, pi].
inline double wrapped_angle(double rad) { return std::remainder(rad, 2 * std::numbers::pi); }

/// The foot of a perpendicular on a link: arc length from its middle, and the offset to the left.
struct Foot {
  double s_mm = 0, offset_mm = 0;
};
Foot foot_of(const Link& link, PointMm p);

/// The data of the fit: contour points, and per point the inverse variance (1/mm2).
struct Samples {
  PolygonMm points;
  std::vector<double> weight;
  double cost_per_unknown =
      0;                     ///< BIC: ln of the number of independent observations (Schwarz 1978)
  double expected_chi2 = 0;  ///< chi-square of the true curve
};

struct Chain {
  std::vector<Link> links;
  double chi2 = 0;
  double bic = 0;
  bool converged = false;
};

int free_unknowns(const Chain& chain);

/// Gauss-Newton with the joints as linearised constraints; the KKT system is solved by its Schur
/// complement. Sets chi2, bic and converged.
void refine(Chain& chain, const Samples& samples);

/// The linear response of the converged fit: the step of all unknowns (six per link, unused ones
/// zero) for a change of the gradient, and for a shift of the samples through its gradient.
class Response {
 public:
  Response(const Chain& chain, const Samples& samples);
  bool ok() const { return ok_; }
  /// The constrained Gauss-Newton step for each column of gradients, six rows per link.
  Eigen::MatrixXd step(const Eigen::MatrixXd& gradient) const;
  /// Adds the gradient of one sample that moves by `offset_mm` along the left normal of its link.
  void add_gradient(std::size_t sample, double offset_mm,
                    Eigen::Ref<Eigen::VectorXd> gradient) const;
  /// Per link: the score test (Lagrange multiplier test) of the heading constraint at the joint
  /// after it: how much chi-square falls, to first order, without the constraint. Zero where there
  /// is none.
  std::vector<double> kink_gains() const { return kink_gains_; }
  /// Per link: the same for the constraints at both its ends together.
  std::vector<double> pair_gains() const { return pair_gains_; }
  PointMm left_normal(std::size_t sample) const { return normals_[sample]; }
  std::size_t link_of(std::size_t sample) const { return link_of_[sample]; }

 private:
  bool ok_ = false;
  Eigen::MatrixXd inverse_hessian_;  ///< block diagonal, 6 columns per row block
  Eigen::MatrixXd joints_;           ///< equations x unknowns
  Eigen::LLT<Eigen::MatrixXd> dual_;
  std::vector<Unknowns> gradient_;  ///< per sample: weight times d(offset)/d(unknowns)
  std::vector<PointMm> normals_;
  std::vector<std::size_t> link_of_;
  std::vector<double> kink_gains_, pair_gains_;
};

}  // namespace panecard::outline
