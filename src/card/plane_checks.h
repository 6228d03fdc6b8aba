// What the residuals of a fit say about the cards.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "card/bend.h"
#include "card/plane_fit.h"

namespace panecard::card {

/// "sheet", "card 3", "plain card": as messages name it.
std::string card_name(const DetectedCard& card);

/// One card that contradicts the others, by its scale or by not lying flat, when that explains the
/// residuals better than a bend of the pane does.
std::optional<Error> contradiction(PlaneProblem problem, const Weighed& weighed);

/// A card whose marks no pose, bend and lens within what is known of it can explain: crumpled, or
/// not a card at all but a picture of one.
std::optional<Error> no_true_card(const PlaneProblem& problem, const Fit& fit);

}  // namespace panecard::card
