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

struct Measured {
  outline::Outline outline;
  Contour covariance;
  card::Curvature curvature;
  std::vector<Finding> findings;
};

/// Several photos of one pane; all taken with one lens.
inline Result<Measured> measure(const std::vector<photo::Photo>& photos, const photo::Lens& lens,
                                const Wanted& wanted) {
  std::vector<card::View> views;
  for (const photo::Photo& photo : photos) {
    auto cards = card::find_cards(photo, lens, {wanted.plain});
    if (!cards.ok()) return cards.error();
    views.push_back({std::move(cards.value()), lens});
  }
  const auto planes = card::fit_planes(views);
  if (!planes.ok()) return planes.error();
  trace::Options options;
  options.boundary = wanted.boundary;
  std::vector<trace::Shot> shots;
  for (std::size_t i = 0; i < photos.size(); ++i) {
    shots.push_back({&photos[i], &planes.value()[i], &views[i].cards});
  }
  auto traced = trace::trace(shots, options);
  if (!traced.ok()) return traced.error();
  auto outline = outline::fit(traced->contour);
  if (!outline.ok()) return outline.error();
  Contour covariance = outline::at_outline_points(traced->contour, outline.value());
  return Measured{std::move(outline.value()), std::move(covariance),
                  card::curvature_of(planes->front()), std::move(traced->findings)};
}

inline Result<outline::Outline> measure(const photo::Photo& photo, const photo::Lens& lens,
                                        const Wanted& wanted) {
  auto measured = measure(std::vector<photo::Photo>{photo}, lens, wanted);
  if (!measured.ok()) return measured.error();
  return std::move(measured.value().outline);
}

}  // namespace panecard::whole
