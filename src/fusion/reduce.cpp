// Compresses modes: per source the principal components of its modes (Karhunen & Loeve), unless the
// modes are local and take fewer non-zero entries as they are.
#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "fusion/fusion.h"

namespace panecard::fusion {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

/// A mode below this share of the variance at every point is moved to the noise.
constexpr double kLeastShare = 0.0005;

double largest_share(const VectorXd& column, const VectorXd& variance) {
  return (column.array().square() / variance.array()).maxCoeff();
}

Index significant_entries(const MatrixXd& columns, const VectorXd& variance) {
  Index count = 0;
  for (Index c = 0; c < columns.cols(); ++c) {
    count += (columns.col(c).array().square() / variance.array() > kLeastShare / 4).count();
  }
  return count;
}

/// Only the columns that matter somewhere; the others' squares are added to `rest`.
MatrixXd without_small(const MatrixXd& columns, const VectorXd& variance, VectorXd& rest) {
  MatrixXd out(columns.rows(), columns.cols());
  Index kept = 0;
  for (Index c = 0; c < columns.cols(); ++c) {
    if (largest_share(columns.col(c), variance) >= kLeastShare) {
      out.col(kept++) = columns.col(c);
    } else {
      rest += columns.col(c).cwiseAbs2();
    }
  }
  return out.leftCols(kept);
}

/// The same sum of squares in as few columns as possible, the largest first.
MatrixXd principal(const MatrixXd& columns, const VectorXd& variance) {
  const MatrixXd scaled = variance.cwiseSqrt().cwiseInverse().asDiagonal() * columns;
  const Eigen::SelfAdjointEigenSolver<MatrixXd> solver(scaled.transpose() * scaled);
  MatrixXd principal_columns = columns * solver.eigenvectors().rowwise().reverse();
  for (Index c = 0; c < principal_columns.cols();
       ++c) {  // the sign is free: make it always the same
    Index at = 0;
    principal_columns.col(c).cwiseAbs().maxCoeff(&at);
    if (principal_columns(at, c) < 0) principal_columns.col(c) = -principal_columns.col(c);
  }
  return principal_columns;
}

}  // namespace

Contour with_fewer_modes(const Contour& contour) {
  const auto n = static_cast<Index>(contour.points.size());
  const PolygonMm normals = outward_normals(contour.points);
  std::vector<SourceName> sources;
  for (const SourceName& source : contour.mode_sources) {
    if (std::find(sources.begin(), sources.end(), source) == sources.end()) {
      sources.push_back(source);
    }
  }
  // Outwards in the upper half, along the outline in the lower one.
  MatrixXd all(2 * n, static_cast<Index>(contour.modes.size()));
  VectorXd noise(n), variance(2 * n);
  for (Index i = 0; i < n; ++i) {
    const auto p = static_cast<std::size_t>(i);
    for (Index m = 0; m < all.cols(); ++m) {
      const PointMm shift = contour.modes[static_cast<std::size_t>(m)][p];
      all(i, m) = dot(shift, normals[p]);
      all(n + i, m) = cross(normals[p], shift);
    }
    noise[i] = contour.sigma_mm[p] * contour.sigma_mm[p];
    constexpr double kTiny_mm2 = 1e-12;
    variance[i] = variance[n + i] = noise[i] + all.row(i).squaredNorm() + kTiny_mm2;
  }
  Contour out = contour;
  out.modes.clear(), out.mode_sources.clear();
  for (const SourceName& source : sources) {
    MatrixXd group(2 * n, 0);
    for (std::size_t m = 0; m < contour.modes.size(); ++m) {
      if (contour.mode_sources[m] != source) continue;
      group.conservativeResize(2 * n, group.cols() + 1);
      group.rightCols(1) = all.col(static_cast<Index>(m));
    }
    VectorXd rest_principal = VectorXd::Zero(2 * n), rest_plain = rest_principal;
    const MatrixXd principal_columns =
        without_small(principal(group, variance), variance, rest_principal);
    const MatrixXd plain = without_small(group, variance, rest_plain);
    const bool turn =
        significant_entries(principal_columns, variance) < significant_entries(plain, variance);
    noise += (turn ? rest_principal : rest_plain).head(n);
    const MatrixXd& chosen = turn ? principal_columns : plain;
    for (Index c = 0; c < chosen.cols(); ++c) {
      PolygonMm mode;
      mode.reserve(contour.points.size());
      for (Index i = 0; i < n; ++i) {
        const PointMm normal = normals[static_cast<std::size_t>(i)];
        mode.push_back(chosen(i, c) * normal + chosen(n + i, c) * PointMm{-normal.y, normal.x});
      }
      out.modes.push_back(std::move(mode));
      out.mode_sources.push_back(source);
    }
  }
  for (Index i = 0; i < n; ++i) out.sigma_mm[static_cast<std::size_t>(i)] = std::sqrt(noise[i]);
  return out;
}

}  // namespace panecard::fusion
