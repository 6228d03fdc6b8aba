// Roundings and reliefs against plane geometry, the twin, and the oversize rectangle.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "pattern/panes.h"
#include "pattern/pattern.h"

namespace panecard::pattern {
namespace {

constexpr double kPi = std::numbers::pi;

const PolygonMm kL = {{0, 0}, {400, 0}, {400, 150}, {150, 150}, {150, 300}, {0, 300}};

Request rounding(double radius, const std::string& corner = "") {
  Request request;
  request.roundings = {{corner, radius}};
  return request;
}

/// Smallest radius of the circle through three points 2 mm apart along the line.
double tightest_mm(const PolygonMm& cut) {
  const PolygonMm even = resample(cut, 2);
  double least = 1e300;
  for (std::size_t i = 0; i < even.size(); ++i) {
    const PointMm a = even[i], b = even[(i + 1) % even.size()], c = even[(i + 2) % even.size()];
    const double twice = std::abs(cross(b - a, c - a));
    if (twice > 0)
      least = std::min(least, distance(a, b) * distance(b, c) * distance(a, c) / (2 * twice));
  }
  return least;
}

}  // namespace

TEST_CASE("rounding a corner takes away (or fills) what plane geometry says") {
  struct Row {
    std::string source;
    PolygonMm outline;
    Request request;
    double area_mm2, tolerance_mm2;
  };
  // A corner of turn t loses r^2 (tan(t / 2) - t / 2).
  const auto lost = [](double r, double turn) { return r * r * (std::tan(turn / 2) - turn / 2); };
  const double area_l = 400 * 150 + 150 * 150;
  const Row rows[] = {
      {"rectangle, every corner: (4 - pi) r^2", test::rectangle(486, 412), rounding(20),
       486.0 * 412 - (4 - kPi) * 400, 0.3},
      {"rectangle, one corner: (1 - pi / 4) r^2", test::rectangle(486, 412),
       rounding(20, "top left"), 486.0 * 412 - (1 - kPi / 4) * 400, 0.1},
      {"L: five convex corners lose, the hollow one gains", kL, rounding(10),
       area_l - 4 * (1 - kPi / 4) * 100, 0.2},
      {"right triangle 3-4-5: turns of 90, 126.87 and 143.13 degrees",
       {{0, 0}, {400, 0}, {0, 300}},
       rounding(8),
       60000 - lost(8, kPi / 2) - lost(8, kPi - std::atan(0.75)) -
           lost(8, kPi - std::atan(4.0 / 3)),
       0.2},
      {"already rounder: nothing changes", test::rounded(600, 400, 40), rounding(20),
       signed_area_mm2(test::rounded(600, 400, 40)), 0.02},
  };
  for (const Row& row : rows) {
    CAPTURE(row.source);
    const Piece piece = test::cut_of(test::pane_of(row.outline), row.request);
    CHECK(std::abs(piece.area_mm2 - row.area_mm2) <= row.tolerance_mm2);
    CHECK(test::geos::valid(piece.cut));
  }
}

TEST_CASE("no corner is tighter than the radius asked for, and the sides stay") {
  std::mt19937 random(23);
  int done = 0;
  for (int i = 0; i < 40; ++i) {
    CAPTURE(i);
    const PolygonMm outline =
        i % 2 == 0 ? convex_hull(test::jagged(random, 9)) : test::wavy(random, 600);
    const Pane pane = test::pane_of(outline);
    Request request = test::all_round(i % 3 - 1.0);
    const Piece before = test::cut_of(pane, request);
    request.roundings = {{"", 15}};
    const auto piece = make_piece(pane, request);
    if (!piece.ok()) continue;
    ++done;
    CHECK(test::geos::valid(piece->cut));
    CHECK(tightest_mm(piece->cut) >= 15 - 0.6);  // chords of 2 mm see 0.0025 mm steps so
    // What a disc of 15 mm reaches from inside, by GEOS: opened, then closed from outside.
    const PolygonMm inside = test::geos::buffer(test::geos::buffer(before.cut, -15), 15);
    const PolygonMm expected = test::geos::buffer(test::geos::buffer(inside, 15), -15);
    CHECK(test::one_sided_hausdorff(piece->cut, expected) <= 0.03);
    CHECK(test::one_sided_hausdorff(expected, piece->cut) <= 0.03);
  }
  CHECK(done > 30);
}

TEST_CASE("a radius that does not fit says what would") {
  const auto piece = make_piece(test::pane_of(test::rectangle(300, 100)), rounding(60));
  REQUIRE(!piece.ok());
  CHECK(piece.error().detail.find("60 mm does not fit into the piece; up to 49.9 mm") !=
        std::string::npos);
}

TEST_CASE("a relief is a straight cut so far along both sides") {
  struct Row {
    std::string source;
    PolygonMm outline;
    double mm, area_mm2;
  };
  const double half = std::atan(0.75);
  const Row rows[] = {
      {"right angle: d^2 / 2", test::rectangle(486, 412), 12, 486.0 * 412 - 72},
      // From where the sides would meet, through the round corner.
      {"rounded, r = 6", test::rounded(486, 412, 6, 1e-4), 20,
       486.0 * 412 - 3 * (1 - kPi / 4) * 36 - 200},
      {"3-4-5: d^2 sin(angle) / 2",
       {{400, 0}, {0, 0}, {400, -300}},
       30,
       60000 - 450 * std::sin(kPi / 2 - half)},
  };
  for (const Row& row : rows) {
    CAPTURE(row.source);
    const Pane pane = test::pane_of(row.outline);
    CAPTURE(pane.division.corners[0].name);
    Request request;
    for (const Side& c : pane.division.corners) {
      if (c.name == "bottom right") request.reliefs = {{c.name, row.mm}};
    }
    const Piece piece = test::cut_of(pane, request);
    CHECK(request.reliefs.size() == 1);
    CHECK(std::abs(piece.area_mm2 - row.area_mm2) <= 0.02);
  }
  Request hollow;
  hollow.reliefs = {{"", 10}};
  const auto refused = make_piece(test::pane_of(kL), hollow);
  REQUIRE(!refused.ok());
  CHECK(refused.error().detail.find("does not turn outwards") != std::string::npos);
  hollow.reliefs = {{"", 300}};
  const auto too_long = make_piece(test::pane_of(test::rectangle(486, 412)), hollow);
  REQUIRE(!too_long.ok());
  CHECK(too_long.error().detail.find("too short") != std::string::npos);
}

TEST_CASE("a relieved corner is left out of a rounding of every corner") {
  Request request = rounding(10);
  request.reliefs = {{"top left", 15}};
  const Piece piece = test::cut_of(test::pane_of(test::rectangle(486, 412)), request);
  CHECK(std::abs(piece.area_mm2 - (486.0 * 412 - 3 * (1 - kPi / 4) * 100 - 112.5)) <= 0.1);
}

TEST_CASE("the twin of the twin is the piece itself, and left is right in between") {
  std::mt19937 random(2);
  for (int i = 0; i < 6; ++i) {
    Request request = test::all_round(3);
    request.sides = {{"left", 9, true}, {"bottom", 14, false}};
    request.roundings = {{"", 5}};
    const Pane pane =
        test::pane_of(i % 2 == 0 ? test::wavy(random, 300) : test::rounded(500, 300, 25));
    const Piece piece = test::cut_of(pane, request);
    const Piece twin = mirrored(piece), back = mirrored(twin);
    CHECK(std::abs(twin.area_mm2 - signed_area_mm2(twin.cut)) <= 1e-6);
    CHECK(twin.low.x == -piece.high.x);
    CHECK(back.cut.size() == piece.cut.size());
    CHECK(back.sides.size() == piece.sides.size());
    CHECK(back.arcs.size() == piece.arcs.size());
    double worst = 0;
    for (std::size_t k = 0; k < piece.cut.size(); ++k) {
      worst = std::max(worst, distance(back.cut[k], piece.cut[k]));
    }
    for (std::size_t k = 0; k < piece.arcs.size(); ++k) {
      worst = std::max(worst, distance(back.arcs[k].at, piece.arcs[k].at));
      worst = std::max(worst, std::abs(back.arcs[k].bulge - piece.arcs[k].bulge));
    }
    for (std::size_t k = 0; k < piece.sides.size(); ++k) {
      CHECK(back.sides[k].side.name == piece.sides[k].side.name);
      CHECK(back.sides[k].side.first == piece.sides[k].side.first);
      const CutSide& other = twin.sides[piece.sides.size() - 1 - k];
      const std::string name = piece.sides[k].side.name;
      CHECK(other.side.name == (name == "left" ? "right" : name == "right" ? "left" : name));
      const PointMm first = piece.cut[piece.sides[k].side.first], last = twin.cut[other.side.last];
      CHECK(distance({-first.x, first.y}, last) <= 1e-12);
    }
    CHECK(worst <= 1e-12);
    CHECK(piece.findings.size() == twin.findings.size());
    CHECK(std::any_of(twin.findings.begin(), twin.findings.end(), [](const Finding& f) {
      return f.text.find(": right 0.2 mm") != std::string::npos;
    }));
    request.mirrored = true;
    CHECK(test::cut_of(pane, request).low.x == twin.low.x);
  }
}

TEST_CASE("the oversize rectangle lies along the pane's own axes") {
  for (const double turn : {0.0, 0.2, -0.6}) {
    CAPTURE(turn);
    Request request;
    request.oversize = Oversize{25, 20, false};
    const Piece piece =
        test::cut_of(test::pane_of(test::turned(test::rounded(486, 412, 14), turn)), request);
    // (486 + 50)(412 + 50) less four rounded corners.
    CHECK(std::abs(piece.area_mm2 - (536.0 * 462 - (4 - kPi) * 400)) <= 2);
    const OrientedBox box = min_area_box(piece.cut);
    CHECK(std::abs(box.long_mm - 536) <= 0.01);
    CHECK(std::abs(box.short_mm - 462) <= 0.01);
    CHECK(piece.sides.size() == 4);
    CHECK(piece.findings.empty());
  }
  Request tight;
  tight.oversize = Oversize{5, 150, true};
  const Piece piece = test::cut_of(test::pane_of(test::rectangle(486, 412)), tight);
  REQUIRE(piece.findings.size() == 2);
  CHECK(piece.findings[0].code == "u95_added");
  CHECK(piece.findings[1].code == "corner_too_round");
  CHECK(std::abs(piece.high.x - 491.2) <= 1e-3);
}

}  // namespace panecard::pattern
