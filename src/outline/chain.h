// A closed chain of lines, arcs and clothoids that is fitted to a contour as one curve.
//
// Every link is held by its middle: place, heading, curvature, rate of curvature, length. Joints
// are equations between neighbours, so each residual depends on one link only and the fit stays
// small.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
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

/// A place on a link and how it moves with the link's unknowns.
struct Spot {
  PointMm place;
  double heading_rad = 0, curvature = 0;
  Eigen::Matrix<double, 2, 6> moves;  ///< d(place)/d(unknowns) at a fixed distance from the middle
  Eigen::Matrix<double, 1, 6> turns;  ///< d(heading)/d(unknowns), likewise
};
Spot spot_at(const Link& link, double s_mm);

/// Where the sample's perpendicular meets the link (from its middle), and the offset to the left.
struct Foot {
  double s_mm = 0, offset_mm = 0;
};
Foot foot_of(const Link& link, PointMm p);

/// What is fitted: contour points with the weight of each, the inverse of the variance that it
/// adds.
struct Samples {
  PolygonMm points;
  std::vector<double> weight;
  double cost_per_unknown = 0;  ///< ln of the number of independent observations (Schwarz 1978)
  double expected_chi2 = 0;     ///< of the true curve
};

struct Chain {
  std::vector<Link> links;
  double chi2 = 0;
  double bic = 0;
  bool converged = false;
};

int free_unknowns(const Chain& chain);

/// Gauss-Newton with the joints as linearised equations (a null-space-free KKT solve).
void refine(Chain& chain, const Samples& samples);

/// The linear answer of the converged fit: how the unknowns of all links (six each, unused ones
/// zero) follow a shift of the samples or a pull on an unknown.
class Response {
 public:
  Response(const Chain& chain, const Samples& samples);
  bool ok() const { return ok_; }
  /// For the pull `g`, six per link: the step that the fit takes.
  Eigen::MatrixXd step(const Eigen::MatrixXd& pull) const;
  /// Adds the pull of one sample that moves by `offset_mm` along the left normal of its link.
  void add_pull(std::size_t sample, double offset_mm, Eigen::Ref<Eigen::VectorXd> pull) const;
  /// Per link: how much chi-square falls, to first order, if the joint after it may kink. The score
  /// test of that equation, from its multiplier; zero where it may already.
  std::vector<double> kink_gains() const { return kink_gains_; }
  /// Per link: the same if the joints at both its ends may kink; zero where one may already.
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
