// Model selection: starts from the segmentation, then removes or adds one unknown at a time while
// the BIC (Schwarz 1978) of the jointly fitted chain falls.
#pragma once

#include "outline/chain.h"

namespace panecard::outline {

/// A refined chain whose BIC no single change lowers; not converged when none was found.
Chain choose(const Samples& samples);

/// The same search from a given chain.
Chain improved(Chain chain, const Samples& samples);

/// The chain with every line that joins a shallow arc smoothly turned into an arc, so that
/// drop_insignificant() can test whether both are one arc.
Chain lines_to_arcs_where_smooth(const Chain& chain, const Samples& samples);

/// A function of the unknowns (six per link, of the chain before) that is now fixed at zero.
struct DroppedTerm {
  Eigen::VectorXd gradient;
  double value = 0;
};

/// Removes the least significant curvature, kink or cut under the full covariance, if Wald's test
/// does not reject that it is zero (95 % for all tests of the outline together, Sidak 1967).
/// @param modes  steps of the unknowns, six rows per link, one column per independent source
bool drop_insignificant(Chain& chain, const Samples& samples, const Eigen::MatrixXd& modes,
                        DroppedTerm& dropped);

}  // namespace panecard::outline
