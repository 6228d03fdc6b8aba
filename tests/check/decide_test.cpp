#include <doctest/doctest.h>

#include <cmath>

#include "check/check.h"
#include "check/panes.h"
#include "check/rounded.h"

namespace panecard::check {

TEST_CASE("decisions follow ISO 14253-1: proven inside, proven outside, or neither") {
  struct Row {
    std::string source;
    double value, u, lower, upper, guard;
    Verdict verdict;
  };
  constexpr double kOneSided = 1.645 / 2;
  const std::vector<Row> rows = {
      // Tolerance +-1, u = 0.2: acceptance within +-0.60, or +-0.671 with 1.645 u (2017).
      {"ISO 14253-1, at the end of acceptance", 0.5999, 0.2, -1, 1, 1, Verdict::yes},
      {"ISO 14253-1, just beyond it", 0.6001, 0.2, -1, 1, 1, Verdict::cannot_tell},
      {"ISO 14253-1, below", -0.6001, 0.2, -1, 1, 1, Verdict::cannot_tell},
      {"ISO 14253-1, the limit itself", 1, 0.2, -1, 1, 1, Verdict::cannot_tell},
      {"ISO 14253-1, not yet rejected", 1.3999, 0.2, -1, 1, 1, Verdict::cannot_tell},
      {"ISO 14253-1, rejected", 1.4001, 0.2, -1, 1, 1, Verdict::no},
      {"ISO 14253-1, rejected below", -1.4001, 0.2, -1, 1, 1, Verdict::no},
      {"ISO 14253-1:2017, accepted", 0.6709, 0.2, -1, 1, kOneSided, Verdict::yes},
      {"ISO 14253-1:2017, not accepted", 0.6711, 0.2, -1, 1, kOneSided, Verdict::cannot_tell},
      {"ISO 14253-1, uncertainty beyond the tolerance", 0, 0.6, -1, 1, 1, Verdict::cannot_tell},
      // JCGM 106, clause 9: 1499.80 to 1500.20 ohm, acceptance 1499.82 to 1500.18: guard band 0.02
      // of U = 0.08.
      {"JCGM 106, resistor accepted", 1500.1799, 0.04, 1499.8, 1500.2, 0.25, Verdict::yes},
      {"JCGM 106, resistor not accepted", 1500.1801, 0.04, 1499.8, 1500.2, 0.25,
       Verdict::cannot_tell},
  };
  for (const Row& row : rows) {
    CAPTURE(row.source);
    CHECK(decide({row.value, 2 * row.u}, row.lower, row.upper, row.guard) == row.verdict);
  }
}

TEST_CASE("a pane fits its size, does not, or cannot be told, and the size may be given turned") {
  struct Row {
    std::string what;
    double racked, times;
    Wanted wanted;
    Verdict verdict;
    bool turned;
  };
  const std::vector<Row> rows = {
      {"true", 0, 1, {486, 412, 2}, Verdict::yes, false},
      {"true, turned", 0, 1, {412, 486, 2}, Verdict::yes, true},
      {"3 mm too wide", 0, 1, {483, 412, 2}, Verdict::no, false},
      {"3 mm too low", 0, 1, {486, 415, 2}, Verdict::no, false},
      {"racked by more than the tolerance", 3.5, 1, {486, 412, 2}, Verdict::no, false},
      {"2 mm off at a tolerance of 2 mm", 0, 1, {484, 412, 2}, Verdict::cannot_tell, false},
      {"a tolerance below the uncertainty", 0, 1, {486, 412, 0.3}, Verdict::cannot_tell, false},
      {"a poor photo", 0, 6, {486, 412, 2}, Verdict::cannot_tell, false},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    const auto r = fit_rectangle(
        test::shape_of(test::rounded(test::racked(486, 412, row.racked), 14), row.times));
    REQUIRE(r.ok());
    const Fits f = fits(r.value(), row.wanted);
    CHECK(f.verdict == row.verdict);
    CHECK(f.turned == row.turned);
    CHECK(f.decisions.size() == 9);
  }
}

TEST_CASE("the blank covers the outline moved outwards by its U95 and keeps its allowance") {
  struct Row {
    double racked, radius, turn_rad, oversize, times;
  };
  const std::vector<Row> rows = {{0, 14, 0, 10, 1},   {3.5, 14, 0.3, 10, 1}, {3.5, 40, -1, 0, 1},
                                 {-8, 2, 0, 25.4, 4}, {0, 100, 0, 5, 1},     {0, 0, 0.7, 10, 1}};
  for (const Row& row : rows) {
    CAPTURE(row.racked);
    CAPTURE(row.radius);
    const PolygonMm points = test::turned(
        test::rounded(test::racked(486, 412, row.racked), row.radius), row.turn_rad, {300, 100});
    const Shape shape = test::shape_of(points, row.times);
    const auto r = fit_rectangle(shape);
    REQUIRE(r.ok());
    const Blank blank = blank_for(shape, r.value(), row.oversize);
    CHECK(blank.width_mm == std::round(blank.width_mm));
    CHECK(blank.radius_mm >= 0);
    CHECK(blank.least_margin_mm >= row.oversize - 1e-6);
    // By our own geometry of the blank's polygon, not the fit's distance: every moved vertex of
    // the outline itself lies inside.
    PolygonMm edge;
    for (const PointMm p :
         test::rounded(test::rectangle(blank.width_mm, blank.height_mm), blank.radius_mm, 0.05)) {
      edge.push_back(p);
    }
    edge = test::turned(edge, blank.angle_rad, blank.centre);
    const PolygonMm normals = outward_normals(points);
    int outside = 0;
    for (std::size_t i = 0; i < points.size(); ++i) {
      const double corner_mm = 0.01;  // chords of the blank's arcs
      if (!contains(edge, points[i] + (shape.u95_mm[i] - corner_mm) * normals[i])) ++outside;
    }
    CHECK(outside == 0);
    // And not wastefully: less than the allowance, U95, the rack and one rounding more.
    const double most = 486 + std::abs(row.racked) + 2 * row.oversize + 2 * 1.2 * row.times + 2;
    CHECK(std::min(blank.width_mm, 1e9) <= most);
  }
}

}  // namespace panecard::check
