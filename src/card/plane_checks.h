// Consistency tests on the residuals of a fit.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "card/bend.h"
#include "card/plane_fit.h"

namespace panecard::card {

/// "sheet", "card 3", "plain card": as messages name it.
std::string card_name(const DetectedCard& card);

/// cards_disagree for one card whose scale or tilt is inconsistent with the others (likelihood
/// ratio test), when that explains the residuals better than a bent pane does; nullopt when all
/// agree.
std::optional<Error> find_contradiction(PlaneProblem problem, const ModelAverage& averaged);

/// cards_disagree for a card whose corner residuals are over 0.5 mm rms at the best fit: crumpled,
/// or a picture of a card.
std::optional<Error> implausible_card(const PlaneProblem& problem, const Fit& fit);

}  // namespace panecard::card
