// What a photo does not show: a pane that its border cuts off, an edge that a card covers.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "support/curve_match.h"
#include "trace/rendered.h"
#include "trace/trace.h"

namespace panecard::trace {
namespace {

enum class Side { right, bottom };

/// Less of the photo: it ends so many millimetres inside the pane. Pixels keep their places.
photo::Photo cut(const Rendered& seen, const support::Scene& scene, Side side, double inside_mm) {
  const auto at = [&](const PointPx& px) { return side == Side::right ? px.x : px.y; };
  double most = 0;
  for (const PointPx& px : support::truth_of(scene).outline_px) most = std::max(most, at(px));
  const PointPx a = card::px_from_mm(seen.plane, {0, 0}), b = card::px_from_mm(seen.plane, {1, 0});
  const int end = static_cast<int>(most - inside_mm * std::hypot(b.x - a.x, b.y - a.y));
  photo::Photo out = seen.photo;
  out.bgr = side == Side::right ? seen.photo.bgr.colRange(0, std::min(end, seen.photo.bgr.cols))
                                : seen.photo.bgr.rowRange(0, std::min(end, seen.photo.bgr.rows));
  out.bgr = out.bgr.clone();
  return out;
}

bool shows_all(const photo::Photo& photo, const std::vector<card::Sighting>& cards) {
  for (const card::Sighting& card : cards) {
    for (const PointPx& px : card.body_px) {
      if (px.x > photo.bgr.cols || px.y > photo.bgr.rows) return false;
    }
  }
  return true;
}

}  // namespace

TEST_CASE("trace: a pane that the photo's border cuts off is refused, and step back is said") {
  for (const std::uint64_t seed : {1, 2, 3, 4, 5}) {
    support::Wish wish;
    wish.cards = support::CardKind::coded;
    const support::Scene scene = support::random_scene(seed, wish);
    const Rendered seen = rendered(scene);
    for (const Side side : {Side::right, Side::bottom}) {
      for (const double inside_mm : {25.0, 10.0, 1.0}) {
        CAPTURE(seed);
        CAPTURE(static_cast<int>(side));
        CAPTURE(inside_mm);
        const photo::Photo part = cut(seen, scene, side, inside_mm);
        if (!shows_all(part, seen.cards)) continue;
        const auto traced = trace(part, seen.plane, seen.cards, {});
        REQUIRE(!traced.ok());
        CHECK(traced.error().code == Code::boundary_not_seen);
        CHECK(traced.error().detail.find("step back") != std::string::npos);
      }
    }
  }
}

TEST_CASE(
    "trace: where a sheet hides the edge the outline goes straight on, or the sheet is named") {
  int measured = 0;
  for (const std::uint64_t seed : {1, 2, 3, 4, 5}) {
    for (const double over_mm : {8.0, 30.0}) {
      CAPTURE(seed);
      CAPTURE(over_mm);
      support::Wish wish;
      wish.family = support::Family::slider;
      wish.cards = support::CardKind::sheet_a4;
      support::Scene scene = support::random_scene(seed, wish);
      double top = 0;
      for (const support::Vertex& v : scene.vertices) top = std::max(top, v.at.y);
      support::SceneCard& sheet = scene.cards[0];
      sheet.centre.y = top - sheet.height_mm / 2 + over_mm;
      sheet.turn_deg = 3;
      const Rendered seen = rendered(scene);
      const auto traced = trace(seen.photo, seen.plane, seen.cards, {});
      if (!traced.ok()) {
        CHECK(traced.error().detail.find("it hides the edge of the glass") != std::string::npos);
        continue;
      }
      ++measured;
      CHECK(std::any_of(traced->findings.begin(), traced->findings.end(),
                        [](const Finding& f) { return f.code == "card_over_edge"; }));
      const auto match = support::match_curves(traced->contour.points, seen.truth_mm);
      CHECK(match.p95_mm <= 1);
      CHECK(match.max_mm <= 2);
    }
  }
  CHECK(measured >= 2);
}

}  // namespace panecard::trace
