// Chooses the pieces: starts from the cut, then drops or adds one unknown at a time as long as
// Schwarz's criterion of the whole, jointly fitted chain falls.
#pragma once

#include "outline/chain.h"

namespace panecard::outline {

/// A refined chain that no single change improves; not converged when the contour resists.
Chain choose(const Samples& samples);

/// The same search, from a chain that is already near.
Chain improved(Chain chain, const Samples& samples);

/// The same chain with every line that runs smoothly into a shallow arc bent, so that
/// drop_doubtful() can weigh whether both are one arc.
Chain bent_where_smooth(const Chain& chain, const Samples& samples);

/// What was dropped: a function of the unknowns (six per link, before) that is now taken as zero.
struct Doubt {
  Eigen::VectorXd gradient;
  double value = 0;
};

/// Drops the curvature, kink or cut that is least certain when all sources of error are counted, if
/// it is within its uncertainty of nothing: 95 % for all of the outline together.
/// @param modes  steps of the unknowns, six rows per link, one column per independent source
bool drop_doubtful(Chain& chain, const Samples& samples, const Eigen::MatrixXd& modes,
                   Doubt& doubt);

}  // namespace panecard::outline
