// What the residuals of a fit say about the cards and the pane.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "card/plane_fit.h"

namespace panecard::card {

/// "sheet", "card 3", "plain card": as messages name it.
std::string card_name(const Sighting& card);

/// Whether a curved pane explains the residuals far better than a flat one.
std::optional<Finding> check_flatness(const PlaneProblem& problem,
                                      const std::vector<Sighting>& cards, const Fit& flat);

/// Whether one card contradicts the others: its scale, its aspect, or that it lies flat.
std::optional<Error> check_agreement(const PlaneProblem& problem,
                                     const std::vector<Sighting>& cards, const Fit& flat);

}  // namespace panecard::card
