// Propagates the contour's sources of error to the fitted unknowns, source by source.
#pragma once

#include <string>
#include <vector>

#include "outline/measure.h"
#include "outline/noise.h"

namespace panecard::outline {

/// The source of a mode that has none.
inline SourceName unnamed() { return SourceName("unnamed"); }

/// The sources of a contour's modes, each once, and the source of each mode.
struct SourceIndex {
  std::vector<SourceName> sources;
  std::vector<std::size_t> of_mode;  ///< index into sources

  std::size_t find(const SourceName& source);  ///< its index; added if it is new
};
SourceIndex source_index(const Contour& c);

/// Each mode belongs to its one source.
Shares one_source_each(const SourceIndex& index);

/// The contour's modes, then its edge noise as a few broad modes, which are added to `index`.
std::vector<PolygonMm> modes_with_noise(const Contour& c, SourceIndex& index);

/// Every source of error as steps of the fitted unknowns, one standard uncertainty each: the
/// contour's modes, then its edge noise, then the discrepancy. No columns when the normal equations
/// are singular.
struct SourceSteps {
  Eigen::MatrixXd columns;                 ///< six rows per link
  Eigen::Index modes = 0, edge_noise = 0;  ///< how many of the columns
};
/// @param noise_scale  factor on the noise, from chi-square
SourceSteps source_steps(const Contour& c, const Noise& noise, const Chain& chain,
                         const Samples& samples, double noise_scale);

/// The same covariance in at most as many columns as there are unknowns, and what each source
/// contributes to each.
struct CompressedModes {
  Eigen::MatrixXd modes;  ///< six rows per link
  Shares shares;
  std::vector<SourceName> sources;
};
CompressedModes compress(const SourceSteps& steps, const Contour& c, double noise_scale);

}  // namespace panecard::outline
