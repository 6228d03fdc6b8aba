// What the residuals of a fit say about the cards and the pane.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "card/plane_fit.h"

namespace panecard::card {

/// "sheet", "card 3", "plain card": as messages name it.
std::string card_name(const Sighting& card);

struct Doubt {
  std::optional<Finding>
      curved;  ///< a curved pane explains the residuals far better than a flat one
  std::optional<Error>
      disagrees;  ///< one card contradicts the others: its scale, or that it lies flat
};

/// At most one of them: the one that explains more.
Doubt check_cards(const PlaneProblem& problem, const std::vector<Sighting>& cards, const Fit& flat);

}  // namespace panecard::card
