// Photo to outline, the way the command does it, for tests that look at the whole.
#pragma once

#include "card/card.h"
#include "outline/outline.h"
#include "photo/photo.h"
#include "trace/trace.h"

namespace panecard::whole {

struct Wanted {
  trace::Boundary boundary = trace::Boundary::glass;
  std::optional<card::PlainSize> plain;
};

inline Result<outline::Outline> measure(const photo::Photo& photo, const photo::Lens& lens,
                                        const Wanted& wanted) {
  const auto cards = card::find_cards(photo, lens, {wanted.plain});
  if (!cards.ok()) return cards.error();
  const auto plane = card::fit_plane(cards.value(), lens);
  if (!plane.ok()) return plane.error();
  trace::Options options;
  options.boundary = wanted.boundary;
  const auto traced = trace::trace(photo, plane.value(), cards.value(), options);
  if (!traced.ok()) return traced.error();
  return outline::fit(traced->contour);
}

}  // namespace panecard::whole
