// A rough pose for every card, good enough to start least squares from.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "card/plane_fit.h"

namespace panecard::card {

/// Parameters as plane_fit.h orders them, cards flat on the first card's plane. One card alone can
/// look alike from two sides; both are tried and the better one kept.
std::optional<Eigen::VectorXd> start_value(const std::vector<DetectedCard>& cards,
                                           const photo::Lens& lens);

/// The same for several photos of one pane, from each photo's own fit: they are laid on each other
/// by the cards they share. nullopt when a photo shares no card with the others.
std::optional<Eigen::VectorXd> joint_start(const PlaneProblem& joint,
                                           const std::vector<View>& views,
                                           const std::vector<Fit>& own);

}  // namespace panecard::card
