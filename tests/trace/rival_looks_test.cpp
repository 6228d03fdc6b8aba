// Rivals looked at on their own, on a rendered pane.
#include "trace/rival_looks.h"

#include <doctest/doctest.h>

#include <algorithm>

#include "trace/rendered.h"
#include "trace/rivals.h"

namespace panecard::trace {
namespace {

struct Scene {
  Rendered seen;
  Sight sight;
  Pyramid pyramid;
  std::vector<PolygonMm> cards;
  PolygonMm truth, none;

  explicit Scene(const support::Scene& scene)
      : seen(rendered(scene)), sight(seen.plane), pyramid(seen.photo.bgr, 4) {
    const auto on_plane = [&](const std::vector<PointPx>& px) {
      PolygonMm out;
      for (const PointPx& p : px) out.push_back(card::mm_from_px(seen.plane, p));
      if (signed_area_mm2(out) < 0) std::reverse(out.begin(), out.end());
      return out;
    };
    for (const card::DetectedCard& card : seen.cards) cards.push_back(on_plane(card.body_px));
    truth = on_plane(support::truth_of(scene).outline_px);
  }

  View view() const { return {pyramid, sight, cards, none}; }
  PointMm middle() const { return middle_of(cards.front()); }
  Settled right() const {
    Settled out;
    out.ribbon = find_ribbon_along(pyramid, sight, cards, truth, 3, 0, {});
    const std::size_t n = out.ribbon.curve.size();
    out.ribbon.rival_mm.assign(n, 0);
    out.ribbon.rival_behind.assign(n, 0);
    out.ribbon.rival_probability.assign(n, 0);
    return out;
  }
};

Scene slider() {
  support::Wish wish;
  wish.family = support::Family::slider;
  wish.cards = support::CardKind::coded;
  return Scene(support::random_scene(12, wish));
}

double furthest(const PolygonMm& from, const PolygonMm& to) {
  double most = 0;
  for (const PointMm& p : from) {
    double off = 1e9;
    for (std::size_t i = 0; i < to.size(); ++i) {
      off = std::min(off, distance_to_segment(p, to[i], to[(i + 1) % to.size()]));
    }
    most = std::max(most, off);
  }
  return most;
}

constexpr double kAway_mm = 10;
constexpr double kRough_mm = 3;  // a ribbon lies on whole millimetres, in a photo of 2 px each

bool at_bottom(const Ribbon& ribbon, std::size_t row) { return ribbon.normals[row].y < -0.9; }

/// A rival so far inside or outside along the bottom, from corner to corner.
void add_rival(double away_mm, double behind, Ribbon& ribbon) {
  for (std::size_t i = 0; i < ribbon.normals.size(); ++i) {
    if (!at_bottom(ribbon, i)) continue;
    ribbon.rival_mm[i] = away_mm;
    ribbon.rival_behind[i] = behind;
    ribbon.rival_probability[i] = 0.2;
  }
}

}  // namespace

TEST_CASE("rival looks: where a look of its own sees nothing at a rival it is none") {
  const Scene scene = slider();
  for (const double away_mm : {-kAway_mm, kAway_mm}) {
    CAPTURE(away_mm);
    Settled settled = scene.right();
    add_rival(away_mm, 1, settled.ribbon);
    Ribbon judged = settled.ribbon;
    judge_whole_stretches(row_mm(Pass::sharp), judged);
    REQUIRE(std::count_if(judged.rival_probability.begin(), judged.rival_probability.end(),
                          [](double p) { return p >= kLikelyRival; }) > 80);
    const Ribbon ribbon = with_rivals_looked_at(scene.view(), scene.middle(), settled).ribbon;
    CHECK(*std::max_element(ribbon.rival_probability.begin(), ribbon.rival_probability.end()) <
          kLikelyRival);
    CHECK(furthest(inner_curve(ribbon), scene.truth) < kRough_mm);
  }
}

TEST_CASE("rival looks: one that is ahead in both looks is taken") {
  const Scene scene = slider();
  Settled settled = scene.right();
  add_rival(kAway_mm, -1, settled.ribbon);
  for (std::size_t i = 0; i < settled.ribbon.inner_mm.size(); ++i) {
    if (at_bottom(settled.ribbon, i)) settled.ribbon.inner_mm[i] -= kAway_mm;
  }
  REQUIRE(furthest(inner_curve(settled.ribbon), scene.truth) > kAway_mm - kRough_mm);
  const Settled taken = with_rivals_looked_at(scene.view(), scene.middle(), settled);
  CHECK(furthest(inner_curve(taken.ribbon), scene.truth) < kRough_mm);
}

}  // namespace panecard::trace
