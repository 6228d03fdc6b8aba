// A traced boundary put right by hand, on rendered panes whose outline is exact.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "support/curve_match.h"
#include "trace/rendered.h"
#include "trace/strip.h"

namespace panecard::trace {
namespace {

struct Seen : Rendered {
  Traced traced;
};

Seen look(std::uint64_t seed) {
  Seen seen{rendered(seed), {}};
  auto traced = trace(seen.photo, seen.plane, seen.cards, {});
  REQUIRE(traced.ok());
  seen.traced = std::move(traced).value();
  return seen;
}

Mender mender_of(const Seen& seen) {
  return {std::vector<Shot>{{&seen.photo, &seen.plane, &seen.cards}}, Boundary::glass};
}

double away_mm(const Contour& contour, PointMm p) {
  double best = 1e9;
  for (const PointMm& q : contour.points) best = std::min(best, distance(p, q));
  return best;
}

std::size_t nearest(const Contour& contour, PointMm p) {
  const PolygonMm& all = contour.points;
  const auto best = std::min_element(all.begin(), all.end(), [p](PointMm a, PointMm b) {
    return distance(a, p) < distance(b, p);
  });
  return static_cast<std::size_t>(best - all.begin());
}

double seen_share(const Contour& contour) {
  const auto count = std::count(contour.seen.begin(), contour.seen.end(), true);
  return static_cast<double>(count) / static_cast<double>(contour.seen.size());
}

/// Of what two points are off by along their normals.
double correlation(const Contour& contour, std::size_t i, std::size_t j) {
  const PolygonMm normals = outward_normals(contour.points);
  double both = 0, first = std::pow(contour.sigma_mm[i], 2),
         second = std::pow(contour.sigma_mm[j], 2);
  for (const PolygonMm& mode : contour.modes) {
    const double a = dot(mode[i], normals[i]), b = dot(mode[j], normals[j]);
    both += a * b;
    first += a * a;
    second += b * b;
  }
  return both / std::sqrt(first * second);
}

void check_whole(const Contour& contour) {
  const std::size_t n = contour.points.size();
  CHECK(signed_area_mm2(contour.points) > 0);
  CHECK_FALSE(self_intersects(contour.points));
  CHECK(contour.points_px.size() == n);
  CHECK(contour.seen.size() == n);
  CHECK(contour.sigma_mm.size() == n);
  CHECK(contour.modes.size() == contour.mode_sources.size());
  double shortest = 1e9, longest = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const double step = distance(contour.points[i], contour.points[(i + 1) % n]);
    shortest = std::min(shortest, step);
    longest = std::max(longest, step);
  }
  CHECK(longest < 3 * shortest);  // evenly spaced along the line; chords are shorter round a kink
  for (const PolygonMm& mode : contour.modes) CHECK(mode.size() == n);
}

/// Every eighth of the way round.
constexpr int kPlaces = 8;

/// Calls `check` with the index of each of those places where the edge was seen.
template <typename Check>
void where_seen(const Contour& contour, const Check& check) {
  int rows = 0;
  for (int place = 0; place < kPlaces; ++place) {
    CAPTURE(place);
    const std::size_t i = place * contour.points.size() / kPlaces;
    if (!contour.seen[i]) continue;
    ++rows;
    check(i);
  }
  CHECK(rows >= kPlaces / 2);
}

TEST_CASE("mend: a wiped stretch is bridged, not seen, and less certain; the rest stays") {
  const Seen seen = look(1010);
  const Mender mender = mender_of(seen);
  const Contour& before = seen.traced.contour;
  const std::size_t n = before.points.size();
  for (int place = 0; place < kPlaces; ++place) {
    CAPTURE(place);
    Mend mend;
    mend.kind = Mend::Kind::bridge;
    for (std::size_t k = 0; k <= 3; ++k) {
      mend.path.push_back(before.points_px[(place * n / kPlaces + k * n / 60) % n]);
    }
    const auto mended = mender(seen.traced, mend);
    CHECK(mended.ok());
    if (!mended.ok()) continue;
    const Contour& after = mended->contour;
    check_whole(after);
    const PointMm middle = before.points[(place * n / kPlaces + n / 40) % n];
    for (std::size_t i = 0; i < after.points.size(); ++i) {
      if (distance(after.points[i], middle) < 2) CHECK_FALSE(after.seen[i]);
    }
    const std::vector<double> u95 = u95_normal_mm(after);
    double bridged = 0;
    for (std::size_t i = 0; i < u95.size(); ++i) {
      if (!after.seen[i]) bridged = std::max(bridged, u95[i]);
    }
    CHECK(bridged >= 0.6);  // two sigma of what the shortest bridge may be off by
    const PointMm opposite = before.points[(place * n / kPlaces + n / 2) % n];
    CHECK(away_mm(after, opposite) <= 0.6);  // half a step: points are set anew
    // A bridge over a twentieth of the way stays within its own plus-minus of the truth.
    const support::CurveMatch match = support::match_curves(after.points, seen.truth_mm);
    CHECK(match.p95_mm <= std::max(1.0, bridged));
  }
}

TEST_CASE("mend: a tap near the true edge brings a wiped stretch back onto it") {
  const Seen seen = look(1013);
  const Mender mender = mender_of(seen);
  const Contour& before = seen.traced.contour;
  const std::size_t n = before.points.size();
  where_seen(before, [&](std::size_t middle) {
    Mend wipe;
    wipe.kind = Mend::Kind::bridge;
    wipe.path = {before.points_px[(middle + n - n / 80) % n], before.points_px[middle],
                 before.points_px[(middle + n / 80) % n]};
    const auto wiped = mender(seen.traced, wipe);
    REQUIRE(wiped.ok());
    Mend tap;
    tap.path = {before.points_px[middle]};
    tap.path.front().x += 1;  // a finger is not exact
    tap.sigma_px = 3;
    const auto back = mender(wiped.value(), tap);
    REQUIRE(back.ok());
    check_whole(back->contour);
    CHECK(away_mm(back->contour, before.points[middle]) <= 0.6);
    const support::CurveMatch match = support::match_curves(back->contour.points, seen.truth_mm);
    CHECK(match.p95_mm <= 0.6);
  });
}

TEST_CASE("mend: a point that is dragged off every edge is believed, and the result says so") {
  const Seen seen = look(1010);
  const Mender mender = mender_of(seen);
  const Contour& before = seen.traced.contour;
  const std::size_t n = before.points.size();
  const PolygonMm normals = outward_normals(before.points);
  int unseen = 0;
  for (int place = 0; place < kPlaces; ++place) {
    CAPTURE(place);
    const std::size_t i = place * n / kPlaces;
    const PointMm wanted = before.points[i] + (-12.0) * normals[i];  // onto the bare glass
    Mend mend;
    mend.path = {card::px_from_mm(seen.plane, wanted)};
    mend.sigma_px = 2;
    const auto mended = mender(seen.traced, mend);
    CHECK(mended.ok());
    if (!mended.ok()) continue;
    check_whole(mended->contour);
    CHECK(away_mm(mended->contour, wanted) <= 2.7);  // it may snap within the finder's reach
    // Round the corners of a pane the finder may see something there; elsewhere glass is bare.
    const Contour& after = mended->contour;
    const std::size_t at = nearest(after, wanted);
    if (after.seen[at]) continue;
    ++unseen;
    CHECK(seen_share(after) < seen_share(before));
    // JCGM 100:2008, 6.2.1: k = 2 of the pointing's standard uncertainty, at the least.
    const double pointing_mm = mend.sigma_px / Sight(seen.plane).px_per_mm(wanted);
    const std::vector<double> u95 = u95_normal_mm(after);
    CHECK(u95[at] >= 0.9 * 2 * pointing_mm);  // less what shifts and turns the whole outline
    // Halfway down the ramp it may lie anywhere within the 12 mm: a uniform distribution's sigma.
    const double worst = *std::max_element(u95.begin(), u95.end());
    CHECK(worst >= 0.8 * 2 * 12 / std::sqrt(12.0));
    // One pointing: its neighbours are off by the same.
    CHECK(correlation(after, at, (at + 5) % after.points.size()) > 0.8);
    const bool said = std::any_of(mended->findings.begin(), mended->findings.end(),
                                  [](const Finding& f) { return f.code == "put_right"; });
    CHECK(said);
  }
  CHECK(unseen >= kPlaces / 2);
}

TEST_CASE("mend: a point on the edge that is seen is seen, and as certain as before") {
  const Seen seen = look(1010);
  const Mender mender = mender_of(seen);
  const Contour& before = seen.traced.contour;
  const std::vector<double> u95_before = u95_normal_mm(before);
  where_seen(before, [&](std::size_t i) {
    Mend tap;
    tap.path = {before.points_px[i]};
    tap.sigma_px = 3;
    const auto mended = mender(seen.traced, tap);
    REQUIRE(mended.ok());
    const std::size_t at = nearest(mended->contour, before.points[i]);
    CHECK(mended->contour.seen[at]);
    const double u95 = u95_normal_mm(mended->contour)[at];
    CHECK(u95 <= 1.5 * u95_before[i] + 0.05);  // the noise is estimated anew, from fewer points
    CHECK(seen_share(mended->contour) >= seen_share(before) - 0.01);
  });
}

TEST_CASE("mend: what the first photo hides is put where the second shows it") {
  const Seen seen = look(1013);
  const Contour& before = seen.traced.contour;
  where_seen(before, [&](std::size_t i) {
    photo::Photo hidden = seen.photo;
    hidden.bgr = seen.photo.bgr.clone();
    const PointPx at = before.points_px[i];
    const double side = 60 * Sight(seen.plane).px_per_mm(before.points[i]);
    const cv::Rect hand(static_cast<int>(at.x - side / 2), static_cast<int>(at.y - side / 2),
                        static_cast<int>(side), static_cast<int>(side));
    hidden.bgr(hand & cv::Rect(0, 0, hidden.bgr.cols, hidden.bgr.rows)) = cv::Scalar::all(120);
    Mend tap;
    tap.path = {at};
    tap.sigma_px = 3;
    const Shot first{&hidden, &seen.plane, &seen.cards},
        second{&seen.photo, &seen.plane, &seen.cards};
    const auto alone = Mender({first}, Boundary::glass)(seen.traced, tap);
    const auto both = Mender({first, second}, Boundary::glass)(seen.traced, tap);
    REQUIRE(alone.ok());
    REQUIRE(both.ok());
    check_whole(both->contour);
    CHECK_FALSE(alone->contour.seen[nearest(alone->contour, before.points[i])]);
    CHECK(both->contour.seen[nearest(both->contour, before.points[i])]);
    CHECK(away_mm(both->contour, before.points[i]) <= 0.6);  // half a step: points are set anew
  });
}

TEST_CASE("mend: what makes no sense changes nothing or is refused, and ends") {
  const Seen seen = look(1010);
  const Mender mender = mender_of(seen);
  const double far = 1e5;
  for (const Mend::Kind kind : {Mend::Kind::through, Mend::Kind::bridge}) {
    for (const std::vector<PointPx>& path :
         {std::vector<PointPx>{}, {{far, far}}, {{-far, 3}, {far, far}}, {{0, 0}, {0, 0}}}) {
      Mend mend;
      mend.kind = kind;
      mend.path = path;
      const auto mended = mender(seen.traced, mend);
      if (mended.ok()) CHECK(mended->contour.points.size() >= 3);
    }
  }
}

}  // namespace
}  // namespace panecard::trace
