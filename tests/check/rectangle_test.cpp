// Rectangles against Pythagoras and closed forms; every plus-minus against Monte Carlo (JCGM 101).
#include <doctest/doctest.h>

#include <cmath>
#include <numbers>

#include "check/check.h"
#include "check/panes.h"
#include "check/rounded.h"

namespace panecard::check {

namespace {

/// With pixels that stand upright.
Shape exact(const PolygonMm& points) {
  Shape s = test::shape_of(points, 1e-3);
  for (const PointMm p : points) s.contour.points_px.push_back({2000 + 4 * p.x, 1500 - 4 * p.y});
  return s;
}

}  // namespace

TEST_CASE("sides, diagonals, radius and squareness equal plane geometry") {
  struct Row {
    std::string source;
    double width, height, racked, radius, turn_deg;
    double side, rising, falling;
  };
  const std::vector<Row> rows = {
      {"Pythagoras, 3-4-5", 400, 300, 0, 20, 0, 300, 500, 500},
      {"Pythagoras, 5-12-13, turned", 600, 250, 0, 12, 17, 250, 650, 650},
      {"Pythagoras, 8-15-17, upright", 240, 450, 0, 0, -3, 450, 510, 510},
      {"law of cosines: racked by 3.5 mm", 486, 412, 3.5, 14, 0, std::hypot(412, 3.5),
       std::hypot(489.5, 412), std::hypot(482.5, 412)},
      {"the same, to the left", 486, 412, -3.5, 14, 40, std::hypot(412, 3.5),
       std::hypot(482.5, 412), std::hypot(489.5, 412)},
  };
  for (const Row& row : rows) {
    CAPTURE(row.source);
    const PolygonMm upright =
        test::rounded(test::racked(row.width, row.height, row.racked), row.radius);
    Shape shape = exact(upright);
    shape.contour.points = test::turned(upright, row.turn_deg * std::numbers::pi / 180, {70, -30});
    const auto fit = fit_rectangle(shape);
    REQUIRE(fit.ok());
    const Rectangle& r = fit.value();
    const auto near = [&](Measurand m, double value, double tolerance) {
      CAPTURE(r[m].name);
      CHECK(std::abs(r[m].size.value - value) <= tolerance);
    };
    // Chords of 2 mm lie 2^2 / 8 / 12 = 0.04 mm inside the corners' arcs, nothing on the sides.
    for (const Measurand m : {width_bottom, width_top}) near(m, row.width, 0.002);
    for (const Measurand m : {height_left, height_right}) near(m, row.side, 0.002);
    near(diagonal_rising, row.rising, 0.003);
    near(diagonal_falling, row.falling, 0.003);
    // Along the leaning side rather than across: 3.5^3 / 412^2 / 2 is nothing.
    near(out_of_square, row.racked, 0.002);
    near(out_of_square_deg, std::atan(row.racked / row.height) * 180 / std::numbers::pi, 0.001);
    near(wider_at_top, 0, 0.002);
    near(higher_at_right, 0, 0.002);
    for (const Measurand m : {bow_bottom, bow_right, bow_top, bow_left}) near(m, 0, 0.002);
    for (const Measurand m : {straight_bottom, straight_top}) near(m, 0, 0.002);
    if (row.racked == 0) {
      near(fit_width, row.width, 0.005);
      near(fit_height, row.height, 0.005);
      near(fit_radius, row.radius, 0.1);
    }
  }
}

TEST_CASE("a trapezoid is wider at one end and not out of square") {
  // Closed form: the sides lean alike to both hands, so their mean stands upright.
  const std::array<PointMm, 4> corners = {
      PointMm{-243, -206}, {243, -206}, {241, 206}, {-241, 206}};
  const auto r = fit_rectangle(exact(test::rounded(corners, 14)));
  REQUIRE(r.ok());
  CHECK(std::abs(r.value()[wider_at_top].size.value + 4) < 0.01);
  CHECK(std::abs(r.value()[out_of_square].size.value) < 0.01);
}

TEST_CASE("a bow is the depth of the parabola that made it") {
  const PolygonMm points = test::bowed(test::rounded(test::rectangle(486, 412), 14), 486, 412, 1.5);
  const auto r = fit_rectangle(exact(points));
  REQUIRE(r.ok());
  // The lines of bowed sides stand further out, so the length between sharp corners is longer.
  const double lying = std::pow(r.value()[width_top].size.value / 486, 2),
               upright = std::pow(r.value()[height_left].size.value / 412, 2);
  // Twice the parabola's mean over the middle 92 % of the side: 2 x 1.5 (1 - 0.92^2 / 3).
  CHECK(std::abs(r.value()[width_top].size.value - 486 - 2.154) < 0.1);
  for (const Measurand m : {bow_bottom, bow_top}) {
    CHECK(std::abs(r.value()[m].size.value - 1.5 * lying) < 0.003);
  }
  for (const Measurand m : {bow_left, bow_right}) {
    CHECK(std::abs(r.value()[m].size.value - 1.5 * upright) < 0.003);
  }
}

TEST_CASE("a pane with a side that bows is not called out of square") {
  // Only the right side, by 5 mm, and a lean of 1 mm: what its own line makes of it.
  PolygonMm points = test::rounded(test::racked(486, 412, 1), 14);
  for (PointMm& p : points) {
    const double y = 2 * p.y / 412;
    if (p.x > 229.5 && std::abs(y) < 0.93) p.x += 5 * (1 - y * y / 0.93 / 0.93);
  }
  const auto r = fit_rectangle(exact(points));
  REQUIRE(r.ok());
  CHECK(too_bowed(r.value()) == bow_right);
  CHECK(is_out_of_square(r.value()) == Verdict::cannot_tell);
}

TEST_CASE("top and width follow the photo, not the frame of the first card") {
  Shape shape = exact(test::rounded(test::rectangle(486, 412), 14));
  shape.contour.points = test::turned(shape.contour.points, std::numbers::pi / 2);
  const auto r = fit_rectangle(shape);
  REQUIRE(r.ok());
  CHECK(std::abs(r.value()[width_top].size.value - 486) < 0.01);
  shape.contour.points_px.clear();
  const auto without = fit_rectangle(shape);
  REQUIRE(without.ok());
  CHECK(std::abs(without.value()[width_top].size.value - 412) < 0.01);
}

TEST_CASE("distance to a rounded rectangle equals hand arithmetic, its derivatives differences") {
  const Rounded r{{10, 20}, 0.3, 50, 30, 10};
  const auto at = [&](double x, double y) { return r.centre + global_direction(r, {x, y}); };
  CHECK(std::abs(offset_from(r, at(60, 5)).mm - 10) < 1e-12);
  CHECK(std::abs(offset_from(r, at(-3, -35)).mm - 5) < 1e-12);
  CHECK(std::abs(offset_from(r, at(0, 25)).mm + 5) < 1e-12);
  // Corner's centre (40, 20), 3-4-5: 15 from it, radius 10.
  CHECK(std::abs(offset_from(r, at(49, 32)).mm - 5) < 1e-12);
  for (const PointMm p : {at(60, 5), at(-49, 31), at(20, -33)}) {
    const Offset o = offset_from(r, p);
    for (int k = 0; k < 6; ++k) {
      const auto moved = [&](double by) {
        Rounded m = r;
        double* const params[] = {&m.centre.x,      &m.centre.y,       &m.angle_rad,
                                  &m.half_width_mm, &m.half_height_mm, &m.radius_mm};
        *params[k] += by;
        return offset_from(m, p).mm;
      };
      CHECK(std::abs((moved(1e-5) - moved(-1e-5)) / 2e-5 - o.moves[k]) < 1e-6);
    }
  }
}

TEST_CASE("every plus-minus agrees with Monte Carlo and covers the truth in 95 of 100") {
  // JCGM 101: draw all sources, measure again; the linear u95 is twice the scatter of the results.
  struct Row {
    std::string what;
    double racked, bow;
  };
  constexpr int kDraws = 300;
  for (const Row& row :
       {Row{"true", 0, 0}, {"racked by 3.5 mm", 3.5, 0}, {"bowed by 1 mm", 0, 1}}) {
    CAPTURE(row.what);
    const PolygonMm points =
        test::bowed(test::rounded(test::racked(486, 412, row.racked), 14), 486, 412, row.bow);
    const Shape truth = test::shape_of(points);
    const auto nominal = fit_rectangle(truth);
    REQUIRE(nominal.ok());
    std::mt19937 random(7);
    std::vector<double> squares(kMeasurands);
    std::vector<int> inside(kMeasurands);
    for (int i = 0; i < kDraws; ++i) {
      const auto r = fit_rectangle(test::drawn(truth, random));
      REQUIRE(r.ok());
      for (int m = 0; m < kMeasurands; ++m) {
        const auto at = static_cast<Measurand>(m);
        const double off = r.value()[at].size.value - nominal.value()[at].size.value;
        squares[static_cast<std::size_t>(m)] += off * off;
        inside[static_cast<std::size_t>(m)] += std::abs(off) <= r.value()[at].size.u95 ? 1 : 0;
      }
    }
    int counted = 0;
    for (int m = 0; m < kMeasurands; ++m) {
      const auto at = static_cast<Measurand>(m);
      CAPTURE(nominal.value()[at].name);
      const double scatter = 2 * std::sqrt(squares[static_cast<std::size_t>(m)] / kDraws);
      const double u95 = nominal.value()[at].size.u95;
      CAPTURE(scatter);
      CAPTURE(u95);
      // Binomial: 95.45 % of 300 is 286 with a standard deviation of 3.6; three of them.
      CHECK(inside[static_cast<std::size_t>(m)] >= 275);
      ++counted;
      // A range about zero is no linear measure: its u95 need only be large enough.
      if (at >= straight_bottom && at <= straight_left) continue;
      // The scatter of 300 has a relative standard deviation of 1 / sqrt(600); four of them.
      CHECK(std::abs(scatter / u95 - 1) < 0.163);
    }
    CHECK(counted == 21);
  }
}

TEST_CASE("without sources of error every plus-minus is at least as large") {
  const Shape known = test::shape_of(test::rounded(test::racked(486, 412, 2), 14));
  Shape unknown = known;
  unknown.sources_known = false;
  unknown.contour.modes.clear();
  unknown.contour.sigma_mm.clear();
  const auto a = fit_rectangle(known), b = fit_rectangle(unknown);
  REQUIRE(a.ok());
  REQUIRE(b.ok());
  for (std::size_t m = 0; m < kMeasurands; ++m) {
    CAPTURE(a->values[m].name);
    CHECK(std::abs(a->values[m].size.value - b->values[m].size.value) < 1e-9);
    CHECK(b->values[m].size.u95 >= a->values[m].size.u95);
  }
}

TEST_CASE("what is no rectangle is refused") {
  PolygonMm circle, triangle = {{0, 0}, {500, 0}, {0, 400}};
  for (int i = 0; i < 200; ++i) {
    const double a = 2 * std::numbers::pi * i / 200;
    circle.push_back({200 * std::cos(a), 200 * std::sin(a)});
  }
  for (const PolygonMm& points : {circle, resample(triangle, 4)}) {
    const auto r = fit_rectangle(test::shape_of(points));
    CHECK_FALSE(r.ok());
    if (!r.ok()) CHECK(r.error().code == Code::degenerate_shape);
  }
}

}  // namespace panecard::check
