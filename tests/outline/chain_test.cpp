#include "outline/chain.h"

#include <doctest/doctest.h>

#include <cmath>

using namespace panecard;
using namespace panecard::outline;

TEST_CASE("the moves of a spot agree with differences of the curve itself") {
  for (const PieceKind kind : {PieceKind::line, PieceKind::arc, PieceKind::free}) {
    Link link;
    link.kind = kind;
    link.middle = {3, -2};
    link.heading_rad = 0.7;
    link.length_mm = 40;
    link.curvature = kind == PieceKind::line ? 0 : 0.03;
    link.rate = kind == PieceKind::free ? 4e-4 : 0;
    for (const double s : {-20.0, -0.4, 0.0, 7.0, 20.0}) {
      const LinkPoint point = link_point_at(link, s);
      for (int k = 0; k < unknowns(kind); ++k) {
        if (k == 3) continue;  // the length moves the ends, not a spot
        const double h = k < 3 ? 1e-5 : k == 4 ? 1e-7 : 1e-9;
        Link up = link, down = link;
        (k == 0   ? up.middle.x
         : k == 1 ? up.middle.y
         : k == 2 ? up.heading_rad
         : k == 4 ? up.curvature
                  : up.rate) += h;
        (k == 0   ? down.middle.x
         : k == 1 ? down.middle.y
         : k == 2 ? down.heading_rad
         : k == 4 ? down.curvature
                  : down.rate) -= h;
        const PointMm d =
            (1 / (2 * h)) * (link_point_at(up, s).place - link_point_at(down, s).place);
        const double size = 1 + std::abs(d.x) + std::abs(d.y);
        CAPTURE(k);
        CAPTURE(s);
        CHECK(std::abs(point.d_place(0, k) - d.x) <= 1e-5 * size);
        CHECK(std::abs(point.d_place(1, k) - d.y) <= 1e-5 * size);
      }
      const PointMm left{-std::sin(point.heading_rad), std::cos(point.heading_rad)};
      const Foot foot = foot_of(link, point.place + 0.3 * left);
      CHECK(std::abs(foot.s_mm - s) <= 1e-5);
      CHECK(std::abs(foot.offset_mm - 0.3) <= 1e-8);
    }
  }
}
