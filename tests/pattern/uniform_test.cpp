// One allowance all round: closed forms, Steiner's formula, and GEOS as an outside judge.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "pattern/panes.h"
#include "pattern/pattern.h"

namespace panecard::pattern {

constexpr double kPi = std::numbers::pi;

TEST_CASE("the area of an allowance all round follows closed forms") {
  struct Row {
    std::string source;
    PolygonMm outline;
    double mm, area_mm2, tolerance_mm2;
  };
  // Tolerances: the chord error of the given outline and of the cut line (0.005 mm), times the
  // perimeter.
  const Row rows[] = {
      {"rectangle, outwards: a b + 2 (a + b) d + pi d^2", test::rectangle(486, 412), 10,
       486 * 412 + 2 * (486 + 412) * 10 + kPi * 100, 0.3},
      {"rectangle, inwards: (a - 2 d)(b - 2 d)", test::rectangle(486, 412), -15, 456.0 * 382, 0.01},
      {"rectangle, nothing", test::rectangle(486, 412), 0, 486.0 * 412, 1e-6},
      {"rectangle, a hair before it vanishes", test::rectangle(486, 412), -205, 76.0 * 2, 0.01},
      {"circle, outwards: pi (r + d)^2", test::circle(300), 25, kPi * 325 * 325, 11},
      {"circle, inwards: pi (r - d)^2", test::circle(300), -290, kPi * 100, 0.4},
      {"rounded rectangle, inwards beyond its radius: sharp corners", test::rounded(600, 400, 20),
       -30, 540.0 * 340, 0.1},
      {"rounded rectangle, outwards: radius r + d", test::rounded(600, 400, 20), 30,
       660 * 460 - (4 - kPi) * 50 * 50, 2},
      // The reflex corner keeps its right angle outside; five convex corners make quarter circles.
      {"L, outwards: A + P d + 5 pi d^2 / 4 - d^2",
       {{0, 0}, {400, 0}, {400, 150}, {150, 150}, {150, 300}, {0, 300}},
       20,
       400 * 150 + 150 * 150 + 1400 * 20 + 1.25 * kPi * 400 - 400,
       0.3},
      // Inwards the reflex corner makes a quarter circle: A - P d + 5 d^2 - pi d^2 / 4.
      {"L, inwards",
       {{0, 0}, {400, 0}, {400, 150}, {150, 150}, {150, 300}, {0, 300}},
       -20,
       400 * 150 + 150 * 150 - 1400 * 20 + 5 * 400 - kPi * 100,
       0.1},
  };
  for (const Row& row : rows) {
    CAPTURE(row.source);
    const Piece piece = test::cut_of(test::pane_of(row.outline), test::all_round(row.mm));
    CHECK(std::abs(piece.area_mm2 - row.area_mm2) <= row.tolerance_mm2);
    CHECK(test::geos::valid(piece.cut));
  }
}

TEST_CASE("outside a convex body the area follows Steiner: A + P d + pi d^2") {
  // Steiner 1840; Santalo, Integral Geometry and Geometric Probability, I.1 (from memory).
  std::mt19937 random(7);
  for (int i = 0; i < 30; ++i) {
    const PolygonMm body = convex_hull(test::jagged(random, 40));
    const double d = 0.5 + 3 * i;
    const Piece piece = test::cut_of(test::pane_of(body), test::all_round(d));
    const double steiner = signed_area_mm2(body) + perimeter_mm(body) * d + kPi * d * d;
    // An arc's chords lose at most 2/3 of their sagitta of 0.0025 mm, on 2 pi d of arc.
    CHECK(std::abs(piece.area_mm2 - steiner) <= 0.01 + 2.0 / 3 * 0.0025 * 2 * kPi * d + 0.01 * d);
  }
}

TEST_CASE("GEOS finds the same parallel curve around smooth and jagged outlines") {
  std::mt19937 random(11);
  int compared = 0;
  for (int i = 0; i < 60; ++i) {
    const PolygonMm outline = i % 2 == 0 ? test::wavy(random, 400 + 40 * static_cast<unsigned>(i))
                                         : test::jagged(random, 8 + static_cast<unsigned>(i) / 3);
    if (self_intersects(outline)) continue;
    const Pane pane = test::pane_of(outline);
    for (const double d : {-25.0, -3.0, -0.4, 0.7, 6.0, 40.0}) {
      CAPTURE(i);
      CAPTURE(d);
      const PolygonMm expected = test::geos::buffer(outline, d);
      const auto piece = make_piece(pane, test::all_round(d));
      if (expected.empty()) {
        CHECK(!piece.ok());
        continue;
      }
      CHECK(piece.ok());
      if (!piece.ok()) continue;
      ++compared;
      CHECK(test::geos::valid(piece->cut));
      CHECK(signed_area_mm2(piece->cut) > 0);
      CHECK(std::abs(piece->area_mm2 - signed_area_mm2(expected)) <=
            0.005 * perimeter_mm(expected));
      // GEOS's own circle of 1024 chords strays by 40 (1 - cos(pi / 1024)) = 0.0002 mm.
      CHECK(test::one_sided_hausdorff(piece->cut, expected) <= 0.006);
      CHECK(test::one_sided_hausdorff(expected, piece->cut) <= 0.006);
    }
  }
  CHECK(compared > 250);
}

TEST_CASE("every point of the cut line is at its allowance from the outline") {
  std::mt19937 random(3);
  int laid = 0, gone = 0;
  for (int i = 0; i < 12; ++i) {
    const PolygonMm outline = i % 2 == 0 ? test::wavy(random, 900) : test::jagged(random, 12);
    for (const double d : {-12.0, -1.0, 1.0, 20.0}) {
      CAPTURE(i);
      CAPTURE(d);
      const auto piece = make_piece(test::pane_of(outline), test::all_round(d));
      if (!piece.ok()) {
        CHECK(test::geos::buffer(outline, d).empty());
        ++gone;
        continue;
      }
      ++laid;
      double worst = 0;
      for (const double at : test::geos::distances(piece->cut, outline)) {
        worst = std::max(worst, std::abs(at - std::abs(d)));
      }
      CHECK(worst <= 0.002);
    }
  }
  CHECK(laid + gone == 48);
  CHECK(laid >= 36);  // three of four allowances are a millimetre in or outwards
}

TEST_CASE("outwards and back again gives a convex rounded outline back") {
  // Minkowski sum with a disc and its erosion undo each other on convex bodies (Serra 1982).
  for (const double d : {0.5, 5.0, 30.0}) {
    CAPTURE(d);
    for (const PolygonMm& outline : {test::rounded(600, 400, 40), test::ellipse(400, 250, 700)}) {
      const Piece out = test::cut_of(test::pane_of(outline), test::all_round(d));
      const Piece back = test::cut_of(test::pane_of(out.cut), test::all_round(-d));
      CHECK(test::one_sided_hausdorff(back.cut, outline) <= 0.01);
      CHECK(test::one_sided_hausdorff(outline, back.cut) <= 0.01);
    }
  }
}

TEST_CASE("an allowance that leaves no piece or two says how much would be possible") {
  struct Row {
    std::string source;
    PolygonMm outline;
    double mm;
    const char* says;
  };
  // Two rooms of 100 x 100 joined by a neck 20 wide: it parts at half of that.
  const PolygonMm dumbbell = {{0, 0},     {100, 0},   {100, 40}, {150, 40}, {150, 0},   {250, 0},
                              {250, 100}, {150, 100}, {150, 60}, {100, 60}, {100, 100}, {0, 100}};
  const Row rows[] = {
      {"rectangle: half of the short side", test::rectangle(486, 412), -210, "up to 205.9 mm"},
      {"circle: its radius", test::circle(300), -310, "up to 29"},
      {"neck: half of its width", dumbbell, -12, "leaves 2 pieces; up to 9.9 mm"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.source);
    const auto piece = make_piece(test::pane_of(row.outline), test::all_round(row.mm));
    CHECK(!piece.ok());
    if (piece.ok()) continue;
    CAPTURE(piece.error().detail);
    CHECK(piece.error().code == Code::bad_usage);
    CHECK(piece.error().detail.find(row.says) != std::string::npos);
  }
}

TEST_CASE("an outline that is no pane is refused, with the place") {
  struct Row {
    std::string what;
    PolygonMm outline;
    Code code;
    const char* says;
  };
  PolygonMm backwards = test::rectangle(10, 20);
  std::reverse(backwards.begin(), backwards.end());
  const Row rows[] = {
      {"figure of eight",
       {{0, 0}, {200, 100}, {200, 0}, {0, 120}},
       Code::degenerate_shape,
       "x 109.1, y 54.5"},
      {"two points", {{0, 0}, {100, 0}}, Code::degenerate_shape, "open"},
      {"no area", {{0, 0}, {100, 0}, {50, 0.001}}, Code::degenerate_shape, "open"},
      {"clockwise", backwards, Code::degenerate_shape, "clockwise"},
      {"not a number", {{0, 0}, {100, NAN}, {50, 50}}, Code::degenerate_shape, "finite"},
      {"in another unit", test::rectangle(1e6, 2e6), Code::too_large, "20 m"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    const auto pane = divide(row.outline, {});
    CHECK(!pane.ok());
    if (pane.ok()) continue;
    CAPTURE(pane.error().detail);
    CHECK(pane.error().code == row.code);
    CHECK(pane.error().detail.find(row.says) != std::string::npos);
  }
}

}  // namespace panecard::pattern
