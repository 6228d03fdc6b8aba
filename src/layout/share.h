// One job on several films: leftovers take what they can, the rest goes on rolls.
#pragma once

#include <vector>

#include "layout/layout.h"

namespace panecard::layout {

/// What this layout on that film comes to. Defined in choose.cpp.
Offer offer_for(const std::vector<Item>& items, const Film& film, std::size_t index,
                const Layout& layout, const Margins& margins);

/// How the job is cut. @param whole  films that take all of it by themselves, best first
std::vector<Offer> strips_of(const std::vector<Item>& items, const std::vector<Film>& films,
                             const Margins& margins, const Efforts& efforts,
                             const std::vector<Offer>& whole);

}  // namespace panecard::layout
