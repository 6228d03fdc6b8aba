// What a photo does not show: a pane that its border cuts off, an edge that a card covers.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "support/curve_match.h"
#include "trace/rendered.h"
#include "trace/trace.h"

namespace panecard::trace {
namespace {

#ifdef __SANITIZE_ADDRESS__
constexpr int kSeeds = 2;  // the sanitizers look for faults, not for how often
#else
constexpr int kSeeds = 3;
#endif

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

bool shows_all(const photo::Photo& photo, const std::vector<card::DetectedCard>& cards) {
  for (const card::DetectedCard& card : cards) {
    for (const PointPx& px : card.body_px) {
      if (px.x > photo.bgr.cols || px.y > photo.bgr.rows) return false;
    }
  }
  return true;
}

support::Scene pane(int seed) {
  support::Wish wish;
  wish.cards = support::CardKind::coded;
  return support::random_scene(static_cast<std::uint64_t>(seed), wish);
}

}  // namespace

TEST_CASE("trace: a pane that the photo's border cuts off is refused, and step back is said") {
  int all = 0, runs_out = 0;
  for (int seed = 1; seed <= kSeeds; ++seed) {
    const support::Scene scene = pane(seed);
    const Rendered seen = rendered(scene);
    for (const Side side : {Side::right, Side::bottom}) {
      for (const double inside_mm : {25.0, 10.0, 1.0}) {
        CAPTURE(seed);
        CAPTURE(static_cast<int>(side));
        CAPTURE(inside_mm);
        const photo::Photo part = cut(seen, scene, side, inside_mm);
        if (!shows_all(part, seen.cards)) continue;
        const auto traced = trace(part, seen.plane, seen.cards, {});
        ++all;
        REQUIRE(!traced.ok());
        CHECK(traced.error().code == Code::boundary_not_seen);
        CHECK(traced.error().detail.find("step back") != std::string::npos);
        runs_out += traced.error().detail.find("runs out of the photo") != std::string::npos;
      }
    }
  }
  CHECK(all >= 5 * kSeeds);  // the other photos would show half a card
  CHECK(runs_out >= 4 * kSeeds);
}

TEST_CASE("trace: pointing at one side does not make a pane whole that is cut off at another") {
  const support::Scene scene = pane(1);
  const Rendered seen = rendered(scene);
  const photo::Photo part = cut(seen, scene, Side::right, 1);
  const std::vector<PointPx> edge = support::truth_of(scene).outline_px;
  Options options;
  options.near = {*std::min_element(edge.begin(), edge.end(),
                                    [](const PointPx& a, const PointPx& b) { return a.x < b.x; })};
  CHECK(!trace(part, seen.plane, seen.cards, options).ok());
}

TEST_CASE(
    "trace: where the photo ends within the seal of an edge that is seen a look is asked for") {
  int measured = 0;
  for (int seed = 1; seed <= kSeeds; ++seed) {
    CAPTURE(seed);
    support::Scene scene = pane(seed);
    scene.seal_mm = 15;
    const Rendered seen = rendered(scene);
    const auto traced = trace(cut(seen, scene, Side::bottom, -9), seen.plane, seen.cards, {});
    if (!traced.ok()) continue;  // where the edge is dark as well
    ++measured;
    CHECK(std::any_of(traced->findings.begin(), traced->findings.end(),
                      [](const Finding& f) { return f.code == "seal_cut_off"; }));
    const auto whole = trace(seen.photo, seen.plane, seen.cards, {});
    REQUIRE(whole.ok());
    CHECK(support::match_curves(traced->contour.points, seen.truth_mm).p95_mm <=
          support::match_curves(whole->contour.points, seen.truth_mm).p95_mm + 0.2);
  }
  CHECK(measured >= kSeeds / 2);
}

TEST_CASE(
    "trace: where a sheet hides the edge the outline goes straight on, or the sheet is named") {
  int measured = 0;
  for (int seed = 1; seed <= kSeeds; ++seed) {
    for (const double over_mm : {8.0, 30.0}) {
      CAPTURE(seed);
      CAPTURE(over_mm);
      support::Wish wish;
      wish.family = support::Family::slider;
      wish.cards = support::CardKind::sheet_a4;
      support::Scene scene = support::random_scene(static_cast<std::uint64_t>(seed), wish);
      double top = 0;
      for (const support::Vertex& v : scene.vertices) top = std::max(top, v.at.y);
      support::SceneCard& sheet = scene.cards[0];
      sheet.centre.y = top - sheet.height_mm / 2 + over_mm;
      sheet.turn_deg = 3;
      const Rendered seen = rendered(scene);
      const auto traced = trace(seen.photo, seen.plane, seen.cards, {});
      if (!traced.ok()) {
        CHECK(traced.error().detail.find("a card may hide the edge") != std::string::npos);
        continue;
      }
      ++measured;
      CHECK(std::any_of(traced->findings.begin(), traced->findings.end(),
                        [](const Finding& f) { return f.code == "card_over_edge"; }));
      const auto match = support::match_curves(traced->contour.points, seen.truth_mm);
      CHECK(match.p95_mm <= 1);
      CHECK(match.max_mm <= 2);
      CHECK(share_inside(traced.value(), seen.truth_mm) > 0.93);
    }
  }
  CHECK(measured > kSeeds);
}

}  // namespace panecard::trace
