// Initial values for the bundle adjustment.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "card/plane_fit.h"

namespace panecard::card {

/// Parameters in the order of plane_fit.h: pose of the first card from its homography, the others
/// flat on its plane. The pose of one small card is ambiguous (two minima); both are refined and
/// the better one is kept. nullopt when a card has too few points.
std::optional<Eigen::VectorXd> initial_value(const std::vector<DetectedCard>& cards,
                                             const photo::Lens& lens);

/// The same for several photos of one pane, from each photo's own fit: the photos are registered by
/// the cards they share. nullopt when a photo shares no card with the others.
std::optional<Eigen::VectorXd> joint_initial_value(const PlaneProblem& joint,
                                                   const std::vector<View>& views,
                                                   const std::vector<Fit>& own);

}  // namespace panecard::card
