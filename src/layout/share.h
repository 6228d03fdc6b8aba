// Splits one job over several films: leftovers first, the rest on rolls.
#pragma once

#include <vector>

#include "layout/layout.h"

namespace panecard::layout {

/// Cost, waste and free rectangles of a layout on a film. Defined in choose.cpp.
Offer offer_for(const std::vector<Item>& items, const Film& film, std::size_t index,
                const Layout& layout, const Margins& margins);

/// The films that the job is cut from. @param single_film  offers of the whole job on one film,
/// best first
std::vector<Offer> plan_strips(const std::vector<Item>& items, const std::vector<Film>& films,
                               const Margins& margins, const Efforts& efforts,
                               const std::vector<Offer>& single_film);

}  // namespace panecard::layout
