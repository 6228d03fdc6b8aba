// The cut line as lines and arcs, expanded again by the DXF definition of a bulge.
#include <doctest/doctest.h>

#include <cmath>
#include <numbers>

#include "pattern/panes.h"
#include "pattern/pattern.h"

namespace panecard::pattern {
namespace {

constexpr double kPi = std::numbers::pi;

/// DXF reference, LWPOLYLINE: bulge = tan(sweep / 4), negative when clockwise from start to end.
PolygonMm expanded(const std::vector<ArcVertex>& arcs) {
  PolygonMm out;
  for (std::size_t i = 0; i < arcs.size(); ++i) {
    const PointMm a = arcs[i].at, b = arcs[(i + 1) % arcs.size()].at;
    const double sweep = 4 * std::atan(arcs[i].bulge);
    out.push_back(a);
    if (sweep == 0) continue;
    const double chord = distance(a, b), radius = chord / (2 * std::sin(sweep / 2));
    const PointMm along = (1 / chord) * (b - a), left{-along.y, along.x};
    const PointMm centre = 0.5 * (a + b) + (radius * std::cos(sweep / 2)) * left;
    const double step = 2 * std::acos(1 - 1e-4 / std::max(1.0, std::abs(radius)));
    const int steps = 1 + static_cast<int>(std::abs(sweep) / step);
    for (int k = 1; k < steps; ++k) {
      const double t = sweep * k / steps;
      const PointMm arm = a - centre;
      out.push_back(centre + PointMm{std::cos(t) * arm.x - std::sin(t) * arm.y,
                                     std::sin(t) * arm.x + std::cos(t) * arm.y});
    }
  }
  return out;
}

}  // namespace

TEST_CASE("shapes made of lines and arcs come back as so many of them") {
  struct Row {
    std::string what;
    PolygonMm cut;
    std::size_t most;
    double area_mm2;  // of the exact shape
  };
  const Row rows[] = {
      {"rectangle", test::rectangle(486, 412), 4, 486.0 * 412},
      {"rounded rectangle", test::rounded(486, 412, 14, 0.0025), 8, 486.0 * 412 - (4 - kPi) * 196},
      {"circle in thirds and a rest", test::circle(300, 0.0025), 4, kPi * 90000},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    const std::vector<ArcVertex> arcs = lines_and_arcs(row.cut, 0.01);
    CHECK(arcs.size() <= row.most);
    const PolygonMm back = expanded(arcs);
    CHECK(test::one_sided_hausdorff(back, row.cut) <= 0.0101);
    CHECK(test::one_sided_hausdorff(row.cut, back) <= 0.0101);
    CHECK(std::abs(signed_area_mm2(back) - row.area_mm2) <= 0.01 * perimeter_mm(row.cut));
  }
}

TEST_CASE("lines and arcs stay within 0.01 mm of every kind of cut line") {
  std::mt19937 random(41);
  for (int i = 0; i < 12; ++i) {
    CAPTURE(i);
    const Pane pane = test::pane_of(i % 3 == 0   ? test::wavy(random, 3000)
                                    : i % 3 == 1 ? test::rounded(600, 350, 10.0 + i)
                                                 : test::ellipse(500, 300, 1500));
    Request request = test::all_round(2);
    request.sides = {{"bottom", 12, false}};
    request.roundings = {{"", 4}};
    const Piece piece = test::cut_of(pane, request);
    const PolygonMm back = expanded(piece.arcs);
    CHECK(test::one_sided_hausdorff(back, piece.cut) <= 0.0101);
    CHECK(test::one_sided_hausdorff(piece.cut, back) <= 0.0101);
    CHECK(piece.arcs.size() * 5 < piece.cut.size());
    CHECK(test::geos::valid(back));
  }
}

}  // namespace panecard::pattern
