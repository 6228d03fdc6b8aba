// One allowance per side: hand arithmetic on rectangles, geometry by hand at corners, properties
// on outlines of every kind.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "pattern/panes.h"
#include "pattern/pattern.h"

namespace panecard::pattern {
namespace {

Request sides(double rest, const std::vector<std::pair<std::string, double>>& named) {
  Request request = test::all_round(rest);
  for (const auto& [side, mm] : named) request.sides.push_back({side, mm, false});
  return request;
}

const CutSide* find(const Piece& piece, const std::string& name) {
  for (const CutSide& side : piece.sides) {
    if (side.side.name == name) return &side;
  }
  return nullptr;
}

/// A stretch of the outline, straight on at both ends: a mitred side's cut line goes on so.
PolygonMm extended(const PolygonMm& outline, const Side& side) {
  constexpr double kFar_mm = 1000;
  PolygonMm out;
  for (std::size_t i = side.first;; i = (i + 1) % outline.size()) {
    out.push_back(outline[i]);
    if (i == side.last && out.size() > 1) break;
  }
  const PointMm start = out[0] - out[1], end = out[out.size() - 1] - out[out.size() - 2];
  out.insert(out.begin(), out[0] + (kFar_mm / norm(start)) * start);
  out.push_back(out.back() + (kFar_mm / norm(end)) * end);
  return out;
}

/// How far the points of every side of the cut line are from where they belong.
double worst_on_sides(const Pane& pane, const Piece& piece) {
  double worst = 0;
  for (const CutSide& cut : piece.sides) {
    for (std::size_t i = cut.side.first;; i = (i + 1) % piece.cut.size()) {
      double best = 1e300;
      for (const Side& side : pane.division.sides) {
        if (side.name != cut.side.name) continue;
        const double at = test::distance_to_open(extended(pane.outline, side), piece.cut[i]);
        best = std::min(best, std::abs(at - std::abs(cut.allowance_mm)));
      }
      worst = std::max(worst, best);
      if (i == cut.side.last) break;
    }
  }
  return worst;
}

}  // namespace

TEST_CASE("a rectangle with one allowance per side is another rectangle, by hand") {
  struct Row {
    double left, bottom, right, top;
  };
  // x from -left to 486 + right, y from -bottom to 412 + top.
  const Row rows[] = {{4, 20, 4, -2},  {1, 2, 3, 4},     {-1, -2, -3, -4}, {10, -3, 10, -3},
                      {0, 25.4, 0, 0}, {0, -10, 0, -10}, {0, 0, 0, 0.3},   {-6, 6, -6, 6}};
  for (const Row& row : rows) {
    const Piece piece = test::cut_of(
        test::pane_of(test::rectangle(486, 412)),
        sides(row.left, {{"bottom", row.bottom}, {"right", row.right}, {"top", row.top}}));
    CAPTURE(row.left);
    CAPTURE(row.bottom);
    CHECK(piece.cut.size() == 4);
    const double width = 486 + row.left + row.right, height = 412 + row.bottom + row.top;
    CHECK(std::abs(piece.area_mm2 - width * height) <= 0.01);
    CHECK(distance(piece.low, {-row.left, -row.bottom}) <= 1e-4);
    CHECK(distance(piece.high, {486 + row.right, 412 + row.top}) <= 1e-4);
    CHECK(piece.sides.size() == 4);
    const CutSide* top = find(piece, "top");
    CHECK(top != nullptr);
    if (top != nullptr) CHECK(top->allowance_mm == row.top);
  }
}

TEST_CASE("a corner between two allowances is where both parallel lines cross, up to a limit") {
  struct Row {
    std::string source;
    double lean_deg;  ///< of the right side from upright
    double right, top;
  };
  // By plane geometry: the line through the right side moved by `right`, at the height of the top.
  const Row rows[] = {{"upright", 0, 3, 10},           {"leaning out", 20, 3, 10},
                      {"leaning in", -20, 3, 10},      {"one in, one out", 20, -4, 9},
                      {"one out, one in", -15, 6, -5}, {"both in", 10, -3, -12}};
  for (const Row& row : rows) {
    CAPTURE(row.source);
    const double lean = row.lean_deg * std::numbers::pi / 180;
    const double shift = 300 * std::tan(lean);
    const PolygonMm outline = {{0, 0}, {400, 0}, {400 + shift, 300}, {0, 300}};
    const Piece piece =
        test::cut_of(test::pane_of(outline), sides(0, {{"right", row.right}, {"top", row.top}}));
    const double y = 300 + row.top;
    const double x = 400 + y * std::tan(lean) + row.right / std::cos(lean);
    double nearest = 1e300;
    for (const PointMm p : piece.cut) nearest = std::min(nearest, distance(p, {x, y}));
    CHECK(nearest <= 1e-3);
    CHECK(piece.cut.size() == 4);
  }
  // A needle's tip of 10 degrees: the mitre would reach 10 / sin 5 = 114.7 mm, SVG's limit is 4.
  const double half = 5 * std::numbers::pi / 180, length = 800;
  const PolygonMm needle = {
      {0, -length * std::tan(half)}, {length, 0}, {0, length * std::tan(half)}};
  const Piece piece = test::cut_of(test::pane_of(needle), sides(10, {{"top", 10.01}}));
  CHECK(std::abs(piece.high.x - (length + 4 * 10.01)) <= 0.05);
  CHECK(test::geos::valid(piece.cut));
}

TEST_CASE("the points of every side keep their distance, and the line is simple") {
  std::mt19937 random(5);
  std::uniform_real_distribution<double> amount(-8, 25);
  int done = 0;
  for (int i = 0; i < 60; ++i) {
    CAPTURE(i);
    const PolygonMm outline = i % 4 == 0 ? test::turned(test::rounded(600, 350, 5.0 + i), 0.01 * i)
                              : i % 4 == 1 ? test::wavy(random, 700)
                              : i % 4 == 2
                                  ? test::ellipse(500, 250 + 4 * i, 600)
                                  : test::turned(test::rectangle(500, 300), 0.02 * i - 0.6);
    const Pane pane = test::pane_of(outline);
    Request request = test::all_round(amount(random));
    for (const char* side : {"top", "left"}) {
      const bool there = std::any_of(pane.division.sides.begin(), pane.division.sides.end(),
                                     [&](const Side& s) { return s.where == side; });
      if (there) request.sides.push_back({side, amount(random), false});
    }
    const auto piece = make_piece(pane, request);
    if (!piece.ok()) CAPTURE(piece.error().detail);
    CHECK(piece.ok());
    if (!piece.ok()) continue;
    ++done;
    CHECK(test::geos::valid(piece->cut));
    CHECK(signed_area_mm2(piece->cut) > 0);
    CHECK(worst_on_sides(pane, piece.value()) <= 0.02);
  }
  CHECK(done > 50);
}

TEST_CASE("a rounded corner leads from one allowance to the other without a kink") {
  for (const double bottom : {3.0, 12.0, 20.0, -5.0}) {
    for (const double rest : {4.0, 0.0, -2.0}) {
      CAPTURE(bottom);
      CAPTURE(rest);
      const Pane pane = test::pane_of(test::rounded(600, 400, 40, 0.001));
      const Piece piece = test::cut_of(pane, sides(rest, {{"bottom", bottom}}));
      CHECK(std::abs(piece.low.y + bottom) <= 1e-4);
      CHECK(std::abs(piece.high.y - 400 - rest) <= 1e-4);
      double sharpest = 0;
      for (std::size_t i = 0; i < piece.cut.size(); ++i) {
        const PointMm a = piece.cut[i], b = piece.cut[(i + 1) % piece.cut.size()],
                      c = piece.cut[(i + 2) % piece.cut.size()];
        sharpest = std::max(sharpest, std::abs(std::atan2(cross(b - a, c - b), dot(b - a, c - b))));
      }
      CHECK(sharpest <= 0.05);  // what chords of 0.0025 mm make of a radius of a few mm
    }
  }
}

TEST_CASE("on its way round a corner the cut line stays between the two allowances") {
  // By affine geometry: a conic tangent to both parallels at the ends of a round corner is the
  // image of its arc, and lies between the arcs at either distance.
  const std::vector<PolygonMm> sharp = {{{0, 0}, {500, 0}, {500, 300}, {0, 300}},
                                        {{0, 0}, {500, 0}, {640, 300}, {60, 280}},
                                        {{0, 0}, {500, -40}, {330, 300}}};
  int seen = 0;
  for (const PolygonMm& corners : sharp) {
    const PolygonMm outline = test::cut_of(test::pane_of(corners), test::all_round(30)).cut;
    for (const std::pair<double, double>& pair :
         std::vector<std::pair<double, double>>{{3, 12}, {12, 3}, {-2, 6}}) {
      const double rest = pair.first, bottom = pair.second;
      CAPTURE(rest);
      const Piece piece = test::cut_of(test::pane_of(outline), sides(rest, {{"bottom", bottom}}));
      const std::vector<double> at = test::geos::distances(piece.cut, outline);
      for (std::size_t i = 0; i < at.size(); ++i, ++seen) {
        const double signed_mm = contains(outline, piece.cut[i]) ? -at[i] : at[i];
        CHECK(signed_mm >= std::min(rest, bottom) - 0.1);
        CHECK(signed_mm <= std::max(rest, bottom) + 0.1);
      }
    }
  }
  CHECK(seen > 500);
}

TEST_CASE("outwards on every side, the cut line is nowhere nearer than the smallest allowance") {
  std::mt19937 random(17);
  std::uniform_real_distribution<double> amount(0, 35), depth(0, 100);
  int done = 0;
  for (int i = 0; i < 90; ++i) {
    CAPTURE(i);
    const double notch = depth(random);
    const PolygonMm notched = {{0, 0},     {500, 0},   {500, 300}, {300, 300}, {300, 300 - notch},
                               {270, 180}, {200, 300}, {0, 300}};
    const PolygonMm outline = i % 3 == 0   ? test::wavy(random, 500)
                              : i % 3 == 1 ? test::jagged(random, 6 + static_cast<unsigned>(i) / 8)
                                           : notched;
    if (self_intersects(outline)) continue;
    const double rest = amount(random), top = amount(random), left = amount(random);
    const auto piece =
        make_piece(test::pane_of(outline), sides(rest, {{"top", top}, {"left", left}}));
    CHECK(piece.ok());
    if (!piece.ok()) continue;
    ++done;
    CHECK(test::geos::valid(piece->cut));
    const std::vector<double> at = test::geos::distances(piece->cut, outline);
    double least = 1e300;
    for (std::size_t k = 0; k < at.size(); ++k) {
      least = std::min(least, contains(outline, piece->cut[k]) ? -at[k] : at[k]);
    }
    CHECK(least >= std::min({rest, top, left}) - 0.21);  // a conic is let pass within 0.2 mm
  }
  CHECK(done > 80);
}

TEST_CASE("an outline is divided as it is drawn, and both names reach a side") {
  // A rounded rectangle's arcs and lines, as outline::fit numbers them: edges and the corners
  // after.
  const PolygonMm outline = test::rounded(600, 400, 40);
  const std::size_t quarter = outline.size() / 4;
  std::vector<outline::Piece> pieces;
  for (std::size_t k = 0; k < 4; ++k) {
    outline::Piece arc, edge;
    arc.corner = true;
    arc.kind = outline::PieceKind::arc;
    arc.name = std::string("corner ") + static_cast<char>('A' + k);
    arc.first = k * quarter;
    arc.last = edge.first = (k + 1) * quarter - 1;
    edge.last = (k + 1) * quarter % outline.size();
    edge.name = "edge " + std::to_string(k + 1);
    pieces.push_back(arc);
    pieces.push_back(edge);
  }
  const auto pane = divide(outline, {}, pieces);
  REQUIRE(pane.ok());
  REQUIRE(pane->division.sides.size() == 4);
  REQUIRE(pane->division.corners.size() == 4);
  const Side& bottom = pane->division.sides[0];
  CHECK(bottom.name == "edge 1");
  CHECK(bottom.where == "bottom");
  CHECK(pane->division.corners[0].name == "corner B");
  CHECK(pane->division.corners[0].where == "bottom right");
  for (const char* name : {"edge 1", "bottom"}) {
    const Piece piece = test::cut_of(pane.value(), sides(2, {{name, 9}}));
    CHECK(std::abs(piece.low.y + 9) <= 1e-4);
    CHECK(std::abs(piece.high.x - 602) <= 1e-4);
  }
  const Piece both = test::cut_of(pane.value(), sides(2, {{"edge 1", 9}, {"bottom", 4}}));
  CHECK(std::abs(both.low.y + 9) <= 1e-4);
  pieces[3].first = 5;
  CHECK(!divide(outline, {}, pieces).ok());
}

TEST_CASE("the sides of an outline lie where they face, whatever their corners are like") {
  struct Row {
    std::string what;
    PolygonMm outline;
    std::vector<std::string> where;
  };
  // Counter-clockwise from the bottom.
  const std::vector<std::string> four = {"bottom", "right", "top", "left"};
  PolygonMm notched = test::rectangle(900, 500);
  notched.insert(notched.begin() + 1, {{400, 0}, {400, 4}, {420, 4}, {420, 0}});
  PolygonMm wiggly;
  for (int i = 0; i < 900; ++i) wiggly.push_back({static_cast<double>(i), 0.4 * std::sin(i / 2.0)});
  wiggly.insert(wiggly.end(), {{900, 500}, {0, 500}});
  const Row rows[] = {
      {"rectangle", test::rectangle(486, 412), four},
      {"rounded", test::rounded(486, 412, 60), four},
      {"turned by 30 degrees", test::turned(test::rounded(486, 412, 14), 0.52), four},
      {"circle", test::circle(200), four},
      {"ellipse", test::ellipse(500, 260, 700), four},
      {"a small notch is no side", notched, four},
      {"short wiggles are no sides", wiggly, four},
      {"triangle", {{0, 0}, {500, 0}, {500, 300}}, {"bottom", "right", "top"}},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    const Pane pane = test::pane_of(row.outline);
    std::vector<std::string> where;
    std::size_t start = 0;
    for (std::size_t k = 0; k < pane.division.sides.size(); ++k) {
      if (pane.division.sides[k].where == "bottom") start = k;
    }
    for (std::size_t k = 0; k < pane.division.sides.size(); ++k) {
      where.push_back(pane.division.sides[(start + k) % pane.division.sides.size()].where);
    }
    CHECK(where == row.where);
    CHECK(pane.division.corners.size() == pane.division.sides.size());
  }
}

TEST_CASE("corners lie where the outline is round, with and without noise") {
  std::mt19937 random(4);
  std::uniform_real_distribution<double> unit(-1, 1);
  for (const double noise : {0.0, 0.02}) {
    CAPTURE(noise);
    PolygonMm outline = test::rounded(486, 412, 30);
    if (noise > 0) outline = resample(outline, 2);
    for (PointMm& p : outline) p = p + noise * PointMm{unit(random), unit(random)};
    const Pane pane = test::pane_of(outline);
    CHECK(pane.division.corners.size() == 4);
    for (const Side& corner : pane.division.corners) {
      CAPTURE(corner.name);
      const PointMm a = pane.outline[corner.first], b = pane.outline[corner.last];
      // A quarter circle's chord: r sqrt 2, less the fringe; with noise, to two points.
      CHECK(std::abs(distance(a, b) - 30 * std::sqrt(2.0)) <= (noise > 0 ? 6 : 1.5));
    }
  }
}

TEST_CASE("what must surely cover grows by its side's largest U95, and says so") {
  PolygonMm outline = test::rectangle(486, 412);
  auto pane = divide(outline, {0.3, 0.5, 1.25, 0.4});
  REQUIRE(pane.ok());
  Request request = test::all_round(4);
  request.sides.push_back({"bottom", 20, true});
  const Piece piece = test::cut_of(pane.value(), request);
  CHECK(std::abs(piece.low.y + 20.5) <= 1e-4);
  CHECK(std::abs(piece.high.x - 490) <= 1e-4);
  CHECK(piece.findings.size() == 1);
  if (!piece.findings.empty()) {
    CHECK(piece.findings[0].code == "u95_added");
    CHECK(piece.findings[0].text.find(": bottom 0.5 mm") != std::string::npos);
  }
  const CutSide* bottom = find(piece, "bottom");
  REQUIRE(bottom != nullptr);
  CHECK(bottom->u95_added_mm == 0.5);
  CHECK(bottom->allowance_mm == 20.5);
}

TEST_CASE("unknown sides and absurd amounts are refused by name") {
  const Pane pane = test::pane_of(test::rectangle(486, 412));
  const auto unknown = make_piece(pane, sides(0, {{"edge 9", 1}}));
  REQUIRE(!unknown.ok());
  CHECK(unknown.error().detail.find("no side 'edge 9'; it has '") != std::string::npos);
  for (const double mm : {1001.0, -1e9, static_cast<double>(NAN), static_cast<double>(INFINITY)}) {
    CHECK(!make_piece(pane, test::all_round(mm)).ok());
    CHECK(!make_piece(pane, sides(0, {{"top", mm}})).ok());
  }
  const auto too_much = make_piece(pane, sides(-1, {{"top", -420}}));
  REQUIRE(!too_much.ok());
  CAPTURE(too_much.error().detail);
  CHECK(too_much.error().detail.find("420 mm inwards at 'top' leaves no piece; up to 410.9 mm") !=
        std::string::npos);
}

}  // namespace panecard::pattern
