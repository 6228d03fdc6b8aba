#include "outline/sources.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

namespace panecard::outline {
namespace {

constexpr std::size_t kMostBumps = 2000;

/// Pivoted Cholesky factor of a covariance, truncated at its rank: covariance = columns columns'.
struct Factor {
  Eigen::MatrixXd columns;
  std::vector<Eigen::Index> pivots;  ///< their rows of `columns` are triangular
};

/// @param least  share of a variance below which its rest counts as zero
Factor factor_of(const Eigen::MatrixXd& covariance, double least) {
  const Eigen::Index rows = covariance.rows();
  const Eigen::VectorXd scale = covariance.diagonal().array().max(1e-300).sqrt().inverse().matrix();
  Eigen::MatrixXd rest = scale.asDiagonal() * covariance * scale.asDiagonal();
  Factor factor;
  factor.columns = Eigen::MatrixXd::Zero(rows, rows);
  Eigen::Index rank = 0;
  for (; rank < rows; ++rank) {
    Eigen::Index pivot = 0;
    const double largest = rest.diagonal().maxCoeff(&pivot);
    if (largest < least) break;
    factor.columns.col(rank) = rest.col(pivot) / std::sqrt(largest);
    rest.noalias() -= factor.columns.col(rank) * factor.columns.col(rank).transpose();
    factor.pivots.push_back(pivot);
  }
  factor.columns =
      Eigen::MatrixXd(scale.cwiseInverse().asDiagonal() * factor.columns.leftCols(rank));
  return factor;
}

/// The gradients of hundreds of noise bumps, compressed to as many columns as there are unknowns.
Eigen::MatrixXd noise_gradients(const std::vector<NoiseMode>& bumps, const Response& response,
                                std::size_t points, Eigen::Index rows) {
  constexpr double kLeast = 1e-13;  // what the fit's answer may enlarge again
  Eigen::MatrixXd covariance = Eigen::MatrixXd::Zero(rows, rows);
  Eigen::VectorXd gradient = Eigen::VectorXd::Zero(rows);
  std::vector<Eigen::Index> touched;
  for (const NoiseMode& bump : bumps) {
    for (std::size_t k = 0; k < bump.along_normal_mm.size(); ++k) {
      const std::size_t i = (bump.first + k) % points;
      const auto row = static_cast<Eigen::Index>(6 * response.link_of(i));
      if (std::find(touched.begin(), touched.end(), row) == touched.end()) touched.push_back(row);
      response.add_gradient(i, -bump.along_normal_mm[k], gradient);
    }
    for (const Eigen::Index a : touched) {
      for (const Eigen::Index b : touched) {
        covariance.block<6, 6>(a, b).noalias() +=
            gradient.segment<6>(a) * gradient.segment<6>(b).transpose();
      }
    }
    for (const Eigen::Index a : touched) gradient.segment<6>(a).setZero();
    touched.clear();
  }
  return factor_of(covariance, kLeast).columns;
}

}  // namespace

std::size_t SourceIndex::find(const SourceName& source) {
  const auto at = std::find(sources.begin(), sources.end(), source);
  if (at != sources.end()) return static_cast<std::size_t>(at - sources.begin());
  sources.push_back(source);
  return sources.size() - 1;
}

SourceIndex source_index(const Contour& c) {
  SourceIndex result;
  for (std::size_t m = 0; m < c.modes.size(); ++m) {
    result.of_mode.push_back(
        result.find(m < c.mode_sources.size() ? c.mode_sources[m] : unnamed()));
  }
  return result;
}

Shares one_source_each(const SourceIndex& index) {
  const auto modes = static_cast<Eigen::Index>(index.of_mode.size());
  Shares shares(index.sources.size(), Eigen::MatrixXd::Zero(modes, modes));
  for (Eigen::Index m = 0; m < modes; ++m) {
    shares[index.of_mode[static_cast<std::size_t>(m)]](m, m) = 1;
  }
  return shares;
}

std::vector<PolygonMm> modes_with_noise(const Contour& c, SourceIndex& index) {
  constexpr std::size_t kMostFreeBumps = 200;
  std::vector<PolygonMm> modes = c.modes;
  const std::size_t n = c.points.size();
  const PolygonMm normals = outward_normals(c.points);
  for (const NoiseMode& bump : noise_modes(c, kMostFreeBumps)) {
    modes.emplace_back(n);
    index.of_mode.push_back(index.find(ErrorSource::edge_noise));
    for (std::size_t k = 0; k < bump.along_normal_mm.size(); ++k) {
      const std::size_t i = (bump.first + k) % n;
      modes.back()[i] = modes.back()[i] + bump.along_normal_mm[k] * normals[i];
    }
  }
  return modes;
}

SourceSteps source_steps(const Contour& c, const Noise& noise, const Chain& chain,
                         const Samples& samples, double noise_scale) {
  const Response response(chain, samples);
  if (!response.ok()) return {};
  const std::size_t n = c.points.size();
  const auto rows = static_cast<Eigen::Index>(6 * chain.links.size());
  const Eigen::MatrixXd local =
      noise_scale * noise_gradients(noise_modes(c, kMostBumps), response, n, rows);
  Eigen::MatrixXd rest(rows, 0);
  if (noise.discrepancy_mm > 0) {
    Contour smooth;
    smooth.points = c.points;
    smooth.sigma_mm.assign(n, noise.discrepancy_mm);
    smooth.correlation_length_mm = kDiscrepancyBump_mm;
    rest = noise_scale * noise_gradients(noise_modes(smooth, kMostBumps), response, n, rows);
  }
  SourceSteps steps;
  steps.modes = static_cast<Eigen::Index>(c.modes.size());
  steps.edge_noise = local.cols();
  Eigen::MatrixXd gradient = Eigen::MatrixXd::Zero(rows, steps.modes + local.cols() + rest.cols());
  for (Eigen::Index m = 0; m < steps.modes; ++m) {
    const PolygonMm& mode = c.modes[static_cast<std::size_t>(m)];
    for (std::size_t i = 0; i < n; ++i) {
      response.add_gradient(i, dot(mode[i], response.left_normal(i)), gradient.col(m));
    }
  }
  gradient.middleCols(steps.modes, local.cols()) = local;
  gradient.rightCols(rest.cols()) = rest;
  steps.columns = response.step(gradient);
  return steps;
}

CompressedModes compress(const SourceSteps& steps, const Contour& c, double noise_scale) {
  constexpr double kLeast = 1e-9;
  const Factor factor = factor_of(steps.columns * steps.columns.transpose(), kLeast);
  CompressedModes compressed;
  compressed.modes = factor.columns;

  // The steps are the few modes times `mix`; the pivots' rows are triangular and give it directly.
  const Eigen::MatrixXd mix = Eigen::MatrixXd(compressed.modes(factor.pivots, Eigen::all))
                                  .triangularView<Eigen::Lower>()
                                  .solve(Eigen::MatrixXd(steps.columns(factor.pivots, Eigen::all)));
  SourceIndex index = source_index(c);
  const std::size_t edge_noise = index.find(ErrorSource::edge_noise),
                    fit = index.find(ErrorSource::fit);
  compressed.sources = index.sources;
  compressed.shares.assign(compressed.sources.size(),
                           Eigen::MatrixXd::Zero(mix.rows(), mix.rows()));
  for (std::size_t m = 0; m < c.modes.size(); ++m) {
    const auto column = mix.col(static_cast<Eigen::Index>(m));
    compressed.shares[index.of_mode[m]].noalias() += column * column.transpose();
  }
  const auto local = mix.middleCols(steps.modes, steps.edge_noise);
  const auto rest = mix.rightCols(mix.cols() - steps.modes - steps.edge_noise);
  // Noise beyond what was stated comes from the choice of pieces, not from the edge.
  const Eigen::MatrixXd enlarged = local * local.transpose();
  const double as_stated = 1 / (noise_scale * noise_scale);
  compressed.shares[edge_noise] += as_stated * enlarged;
  compressed.shares[fit] += (1 - as_stated) * enlarged + rest * rest.transpose();
  return compressed;
}

}  // namespace panecard::outline
