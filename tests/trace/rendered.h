// A rendered pane with coded cards, its truth, and the plane that the cards give.
#pragma once

#include <doctest/doctest.h>

#include <algorithm>
#include <vector>

#include "support/curve_match.h"
#include "support/render.h"
#include "trace/trace.h"

namespace panecard::trace {

struct Rendered {
  photo::Photo photo;
  card::Plane plane;
  std::vector<card::DetectedCard> cards;
  PolygonMm truth_mm;
};

inline Rendered rendered(const support::Scene& scene) {
  Rendered seen;
  seen.photo = support::render(scene);
  seen.truth_mm = support::truth_of(scene).outline_mm;
  photo::Lens lens;
  lens.value = support::lens_vector(scene.camera);
  lens.calibrated = true;
  lens.width_px = scene.camera.width_px;
  lens.height_px = scene.camera.height_px;
  const auto cards = card::detect_cards(seen.photo, lens, {});
  REQUIRE(cards.ok());
  seen.cards = cards.value();
  const auto plane = card::fit_plane(seen.cards, lens);
  REQUIRE(plane.ok());
  seen.plane = plane.value();
  return seen;
}

inline Rendered rendered(std::uint64_t seed, int width_px = 2016) {
  support::Wish wish;
  wish.width_px = width_px;
  wish.cards = support::CardKind::coded;
  return rendered(support::random_scene(seed, wish));
}

/// Share of an outline's points whose distance from the truth is within their U95.
inline double share_inside(const Traced& traced, const PolygonMm& truth) {
  const std::vector<double> u95 = u95_normal_mm(traced.contour);
  const PolygonMm laid = support::match_curves(traced.contour.points, truth).laid;
  double inside = 0;
  for (std::size_t i = 0; i < laid.size(); ++i) {
    double off = 1e9;
    for (std::size_t k = 0; k < truth.size(); ++k) {
      off = std::min(off, distance_to_segment(laid[i], truth[k], truth[(k + 1) % truth.size()]));
    }
    inside += off <= u95[i] ? 1.0 / static_cast<double>(laid.size()) : 0;
  }
  return inside;
}

}  // namespace panecard::trace
