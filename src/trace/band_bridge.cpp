#include "trace/band_bridge.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace panecard::trace {
namespace {

// Standard deviations of the variation that are considered, equally likely a priori. The least is
// not zero: print placed on glass varies by tenths of a millimetre (common practice), and no
// number of good stretches proves a hidden one straight.
constexpr std::array<double, 6> kVariation_mm = {0.15, 0.25, 0.4, 0.8, 1.6, 3.2};
constexpr double kDegreesOfFreedom = 4;  // Student's t: the usual robust choice (Lange et al. 1989)

struct Fit {
  Eigen::VectorXd mean, variance;
  double log_evidence = 0;
};

/// Posterior at all stretches given the seen ones; the common depth has a flat prior.
Fit fit(const Eigen::MatrixXd& shape, const std::vector<Eigen::Index>& seen,
        const Eigen::VectorXd& depth, const Eigen::VectorXd& variance, double variation_mm,
        bool with_variance) {
  const auto m = static_cast<Eigen::Index>(seen.size()), n = shape.rows();
  Eigen::MatrixXd k(m, m), cross(m, n);
  for (Eigen::Index i = 0; i < m; ++i) {
    cross.row(i) = variation_mm * variation_mm * shape.row(seen[static_cast<std::size_t>(i)]);
  }
  for (Eigen::Index j = 0; j < m; ++j) k.col(j) = cross.col(seen[static_cast<std::size_t>(j)]);
  k.diagonal() += variance;
  const Eigen::LLT<Eigen::MatrixXd> llt(k);
  const Eigen::VectorXd one = llt.matrixL().solve(Eigen::VectorXd::Ones(m));
  const Eigen::VectorXd data = llt.matrixL().solve(depth);
  const double precision = one.squaredNorm(), common = one.dot(data) / precision;
  const Eigen::VectorXd rest = data - common * one;
  Fit result;
  result.mean =
      Eigen::VectorXd::Constant(n, common) + cross.transpose() * llt.matrixU().solve(rest);
  result.variance = Eigen::VectorXd::Zero(n);
  if (with_variance) {
    const Eigen::MatrixXd reach = llt.matrixL().solve(cross);
    const Eigen::VectorXd lack = Eigen::VectorXd::Ones(n) - reach.transpose() * one;
    result.variance = (Eigen::ArrayXd::Constant(n, variation_mm * variation_mm) -
                       reach.colwise().squaredNorm().transpose().array())
                          .max(0.0) +
                      lack.array().square() / precision;
  }
  double log_determinant = 0;
  for (Eigen::Index i = 0; i < m; ++i) log_determinant += std::log(llt.matrixLLT()(i, i));
  result.log_evidence = -rest.squaredNorm() / 2 - log_determinant - std::log(precision) / 2;
  return result;
}

Fit average(const std::array<Fit, kVariation_mm.size()>& fits) {
  double top = fits[0].log_evidence, total = 0;
  for (const Fit& f : fits) top = std::max(top, f.log_evidence);
  Fit mixed;
  mixed.mean = Eigen::VectorXd::Zero(fits[0].mean.size());
  Eigen::VectorXd square = mixed.mean;
  for (const Fit& f : fits) {
    const double weight = std::exp(f.log_evidence - top);
    total += weight;
    mixed.mean += weight * f.mean;
    square += weight * (f.variance.array() + f.mean.array().square()).matrix();
  }
  mixed.mean /= total;
  mixed.variance = (square / total - mixed.mean.cwiseAbs2()).cwiseMax(0);
  return mixed;
}

}  // namespace

std::vector<BandDepth> bridge(const std::vector<BandDepth>& sights, double perimeter_mm) {
  const auto n = static_cast<Eigen::Index>(sights.size());
  const double radius = perimeter_mm / 2 / std::numbers::pi;
  Eigen::MatrixXd shape(n, n);
  for (Eigen::Index i = 0; i < n; ++i) {
    for (Eigen::Index j = 0; j < n; ++j) {
      // The chord of a circle keeps the kernel positive definite on a closed curve.
      const double turn = std::numbers::pi * static_cast<double>(i - j) / static_cast<double>(n);
      const double chord = 2 * radius * std::sin(turn) / kBandCorrelation_mm;
      shape(i, j) = std::exp(-chord * chord / 2);
    }
  }
  std::vector<Eigen::Index> seen;
  for (Eigen::Index i = 0; i < n; ++i) {
    if (sights[static_cast<std::size_t>(i)].seen) seen.push_back(i);
  }
  const auto m = static_cast<Eigen::Index>(seen.size());
  Eigen::VectorXd depth(m), own(m);
  for (Eigen::Index i = 0; i < m; ++i) {
    const BandDepth& sight = sights[static_cast<std::size_t>(seen[static_cast<std::size_t>(i)])];
    depth(i) = sight.mm;
    own(i) = sight.sigma_mm * sight.sigma_mm;
  }
  Eigen::VectorXd variance = own;
  Fit result;
  constexpr int kRounds = 3;
  for (int round = 0; round < kRounds; ++round) {
    std::array<Fit, kVariation_mm.size()> fits;
    for (std::size_t k = 0; k < fits.size(); ++k) {
      fits[k] = fit(shape, seen, depth, variance, kVariation_mm[k], round + 1 == kRounds);
    }
    result = average(fits);
    for (Eigen::Index i = 0; i < m; ++i) {
      const double off = depth(i) - result.mean(seen[static_cast<std::size_t>(i)]);
      variance(i) = own(i) * std::max(1.0, (kDegreesOfFreedom + off * off / own(i)) /
                                               (kDegreesOfFreedom + 1));
    }
  }
  std::vector<BandDepth> depths(sights.size());
  for (Eigen::Index i = 0; i < n; ++i) {
    depths[static_cast<std::size_t>(i)] = {result.mean(i), std::sqrt(result.variance(i)),
                                           sights[static_cast<std::size_t>(i)].seen};
  }
  return depths;
}

}  // namespace panecard::trace
