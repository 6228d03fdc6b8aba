// Compaction against plane geometry, and against GEOS for what must never happen.
#include "layout/compact.h"

#include <doctest/doctest.h>

#include "layout/search.h"
#include "shapes.h"

namespace panecard::layout {
namespace {

/// One copy of each shape, as it is.
Problem problem_of(const std::vector<PolygonMm>& shapes, double width) {
  Problem p;
  p.width = width;
  for (const PolygonMm& shape : shapes) {
    p.copies.push_back(
        {{static_cast<int>(p.forms.size())}, std::sqrt(signed_area_mm2(convex_hull(shape)))});
    p.forms.push_back(form_from(shape));
    p.area += p.forms.back().area;
  }
  return p;
}

PolygonMm placed(const Problem& p, const State& s, std::size_t i) {
  return shifted(p.forms[static_cast<std::size_t>(s.form[i])].points, s.at[i]);
}

const PolygonMm kSquare = {{0, 0}, {10, 0}, {10, 10}, {0, 10}};
const PolygonMm kLower = {{0, 0}, {10, 0}, {0, 10}}, kUpper = {{10, 0}, {10, 10}, {0, 10}};
const PolygonMm kHollow = {{0, 0}, {20, 0}, {20, 3}, {4, 3}, {4, 7}, {20, 7}, {20, 10}, {0, 10}};
const PolygonMm kTongue = {{0, 0}, {16, 0}, {16, 3.8}, {0, 3.8}};

struct Row {
  std::string what;
  std::vector<PolygonMm> shapes;
  std::vector<PointMm> at;
  double length;
};

}  // namespace

TEST_CASE("compact: ends at the length that plane geometry gives") {
  const Row kRows[] = {
      {"squares in a row close up", {kSquare, kSquare}, {{0, 0}, {14, 0}}, 20},
      {"squares that overlap a little part", {kSquare, kSquare}, {{0, 0}, {9.8, 0}}, 20},
      {"half squares slide along their slope", {kLower, kUpper}, {{0, 0}, {6, 0}}, 10},
      {"a tongue goes into its slot", {kHollow, kTongue}, {{0, 0}, {9, 3.1}}, 20},
      {"and all push on together", {kSquare, kSquare, kSquare}, {{3, 0}, {15, 0}, {28, 0}}, 30},
  };
  for (const Row& row : kRows) {
    CAPTURE(row.what);
    const Problem problem = problem_of(row.shapes, 10);
    NoFitCache nfp_cache(problem);
    State state;
    for (std::size_t i = 0; i < row.at.size(); ++i) {
      state.form.push_back(static_cast<int>(i));
      state.at.push_back(row.at[i]);
      state.length = std::max(state.length, row.at[i].x + problem.forms[i].width);
    }
    CHECK(compact(problem, nfp_cache, state));
    CHECK(std::abs(state.length - row.length) <= 1e-5);
  }
}

TEST_CASE("compact: never longer, and GEOS sees no overlap") {
  SplitMix64 random(11);
  const Geos geos;
  double before = 0, after = 0;
  for (int k = 0; k < 2 * kRepeats; ++k) {
    CAPTURE(k);
    std::vector<PolygonMm> shapes(8);
    for (PolygonMm& shape : shapes) {
      shape = random_star(random, 4 + static_cast<int>(random.below(10)), 10, 0.3);
    }
    const Problem problem = problem_of(shapes, 45);
    NoFitCache nfp_cache(problem);
    State state = row_layout(problem);
    before += state.length;
    const double longest = state.length;
    REQUIRE(compact(problem, nfp_cache, state));
    after += state.length;
    CHECK(state.length <= longest * (1 + 1e-9));
    for (std::size_t i = 0; i < shapes.size(); ++i) {
      const PolygonMm a = placed(problem, state, i);
      for (const PointMm p : a) {
        CHECK((p.x >= -1e-6 && p.y >= -1e-6 && p.x <= state.length + 1e-6 && p.y <= 45 + 1e-6));
      }
      for (std::size_t j = 0; j < i; ++j) {
        CHECK(geos.common(geos.polygon(a).get(), geos.polygon(placed(problem, state, j)).get()) <=
              1e-4);
      }
    }
  }
  CHECK(after < 0.95 * before);
}

}  // namespace panecard::layout
