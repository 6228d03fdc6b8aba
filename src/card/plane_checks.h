// What the residuals of a fit say about the cards.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "card/bend.h"
#include "card/plane_fit.h"

namespace panecard::card {

/// "sheet", "card 3", "plain card": as messages name it.
std::string card_name(const Sighting& card);

/// One card that contradicts the others, by its scale or by not lying flat, when that explains the
/// residuals better than a bend of the pane does.
std::optional<Error> contradiction(PlaneProblem problem, const Weighed& weighed);

}  // namespace panecard::card
