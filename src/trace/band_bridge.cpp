#include "trace/band_bridge.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace panecard::trace {
namespace {

// Standard deviations that are considered, equally likely a priori. The least slow variation is not
// zero: print placed on glass varies by tenths of a millimetre (common practice), and no number of
// good stretches proves a hidden one straight.
constexpr std::array<double, 5> kSlow_mm = {0.15, 0.3, 0.7, 1.5, 3.2};
// Depths count from the traced glass edge, whose own noise shows up in them at a short range.
constexpr std::array<double, 3> kFast_mm = {0.03, 0.12, 0.3};
constexpr double kFast_correlation_mm = 15;
constexpr double kOutlierSigmas = 4;

struct Fit {
  double slow_mm = 0, fast_mm = 0;
  double log_evidence = 0, common = 0;
  Eigen::LLT<Eigen::MatrixXd> llt;
  Eigen::VectorXd weights;  ///< inverse covariance times (depth - common)
};

struct Posterior {
  Eigen::VectorXd mean, variance;
};

class Bridge {
 public:
  Bridge(const std::vector<BandDepth>& sights, double perimeter_mm)
      : all_(static_cast<Eigen::Index>(sights.size())), perimeter_mm_(perimeter_mm) {
    for (Eigen::Index i = 0; i < all_; ++i) {
      const BandDepth& sight = sights[static_cast<std::size_t>(i)];
      if (!sight.seen) continue;
      seen_.push_back(i);
      depth_.push_back(sight.mm);
      variance_.push_back(sight.sigma_mm * sight.sigma_mm);
    }
  }

  const std::vector<Eigen::Index>& seen() const { return seen_; }

  std::vector<Fit> fits() const {
    std::vector<Fit> all;
    for (const double slow : kSlow_mm) {
      for (const double fast : kFast_mm) all.push_back(fit(slow, fast));
    }
    return all;
  }

  /// Takes out the sights that the others contradict; false when there are none.
  bool drop_outliers(const Fit& fit) {
    const auto m = static_cast<Eigen::Index>(seen_.size());
    const Eigen::MatrixXd inverse = fit.llt.solve(Eigen::MatrixXd::Identity(m, m));
    bool dropped = false;
    for (Eigen::Index i = m - 1; i >= 0; --i) {
      // Leave-one-out residual over its deviation (Rasmussen & Williams 2006, 5.4.2).
      const double z = fit.weights(i) / std::sqrt(inverse(i, i));
      if (std::abs(z) < kOutlierSigmas) continue;
      seen_.erase(seen_.begin() + i);
      depth_.erase(depth_.begin() + i);
      variance_.erase(variance_.begin() + i);
      dropped = true;
    }
    return dropped;
  }

  Posterior posterior(const Fit& fit) const {
    const auto m = static_cast<Eigen::Index>(seen_.size());
    Eigen::MatrixXd cross(m, all_);
    for (Eigen::Index i = 0; i < m; ++i) {
      for (Eigen::Index j = 0; j < all_; ++j) cross(i, j) = kernel(fit, seen_at(i) - j);
    }
    const Eigen::VectorXd one = fit.llt.matrixL().solve(Eigen::VectorXd::Ones(m));
    const Eigen::MatrixXd reach = fit.llt.matrixL().solve(cross);
    const Eigen::VectorXd lack = Eigen::VectorXd::Ones(all_) - reach.transpose() * one;
    Posterior result;
    result.mean = Eigen::VectorXd::Constant(all_, fit.common) + cross.transpose() * fit.weights;
    result.variance = (Eigen::ArrayXd::Constant(all_, kernel(fit, 0)) -
                       reach.colwise().squaredNorm().transpose().array())
                          .max(0.0) +
                      lack.array().square() / one.squaredNorm();
    return result;
  }

 private:
  Eigen::Index seen_at(Eigen::Index i) const { return seen_[static_cast<std::size_t>(i)]; }

  double kernel(const Fit& fit, Eigen::Index apart) const {
    // The chord of a circle keeps the kernel positive definite on a closed curve.
    const double turn = std::numbers::pi * static_cast<double>(apart) / static_cast<double>(all_);
    const double chord = perimeter_mm_ / std::numbers::pi * std::sin(turn);
    const auto bump = [chord](double sigma, double range) {
      return sigma * sigma * std::exp(-chord * chord / 2 / range / range);
    };
    return bump(fit.slow_mm, kBandCorrelation_mm) + bump(fit.fast_mm, kFast_correlation_mm);
  }

  Fit fit(double slow_mm, double fast_mm) const {
    const auto m = static_cast<Eigen::Index>(seen_.size());
    Fit result;
    result.slow_mm = slow_mm;
    result.fast_mm = fast_mm;
    std::vector<double> by_distance;
    for (Eigen::Index k = 0; k < all_; ++k) by_distance.push_back(kernel(result, k));
    Eigen::MatrixXd k(m, m);
    for (Eigen::Index j = 0; j < m; ++j) {
      for (Eigen::Index i = j; i < m; ++i) {
        k(i, j) = by_distance[static_cast<std::size_t>(seen_at(i) - seen_at(j))];
      }
      k(j, j) += variance_[static_cast<std::size_t>(j)];
    }
    result.llt.compute(k.selfadjointView<Eigen::Lower>());
    const Eigen::Map<const Eigen::VectorXd> depth(depth_.data(), m);
    const Eigen::VectorXd ones = result.llt.solve(Eigen::VectorXd::Ones(m));
    const double precision = ones.sum();
    result.common = ones.dot(depth) / precision;  // flat prior
    const Eigen::VectorXd rest = depth - Eigen::VectorXd::Constant(m, result.common);
    result.weights = result.llt.solve(rest);
    double log_determinant = 0;
    for (Eigen::Index i = 0; i < m; ++i) {
      log_determinant += std::log(result.llt.matrixLLT()(i, i));
    }
    result.log_evidence = -rest.dot(result.weights) / 2 - log_determinant - std::log(precision) / 2;
    return result;
  }

  Eigen::Index all_;
  double perimeter_mm_;
  std::vector<Eigen::Index> seen_;
  std::vector<double> depth_, variance_;
};

bool less_evident(const Fit& a, const Fit& b) { return a.log_evidence < b.log_evidence; }

}  // namespace

std::vector<BandDepth> bridge(const std::vector<BandDepth>& sights, double perimeter_mm) {
  constexpr int kRounds = 3;
  constexpr double kNegligible = 0.02;
  Bridge model(sights, perimeter_mm);
  std::vector<Fit> fits = model.fits();
  for (int round = 1; round < kRounds; ++round) {
    if (!model.drop_outliers(*std::max_element(fits.begin(), fits.end(), less_evident))) break;
    fits = model.fits();
  }
  const double top = std::max_element(fits.begin(), fits.end(), less_evident)->log_evidence;
  const auto n = static_cast<Eigen::Index>(sights.size());
  Eigen::VectorXd mean = Eigen::VectorXd::Zero(n), square = mean;
  double total = 0;
  for (const Fit& fit : fits) {
    const double weight = std::exp(fit.log_evidence - top);
    if (weight < kNegligible) continue;
    const Posterior p = model.posterior(fit);
    total += weight;
    mean += weight * p.mean;
    square += weight * (p.variance.array() + p.mean.array().square()).matrix();
  }
  mean /= total;
  const Eigen::ArrayXd variance = (square / total).array() - mean.array().square();
  std::vector<BandDepth> depths(sights.size());
  for (Eigen::Index i = 0; i < n; ++i) {
    depths[static_cast<std::size_t>(i)] = {mean(i), std::sqrt(std::max(0.0, variance(i))), false};
  }
  for (const Eigen::Index i : model.seen()) depths[static_cast<std::size_t>(i)].seen = true;
  return depths;
}

}  // namespace panecard::trace
