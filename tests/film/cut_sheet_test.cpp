// The geometry of cut paths, and what no writer accepts.
#include <doctest/doctest.h>

#include <cmath>
#include <functional>
#include <limits>
#include <numbers>

#include "drawings/drawings.h"
#include "film/cut_shapes.h"
#include "film/film.h"

namespace panecard::film {
namespace {

constexpr double kPi = std::numbers::pi;

}  // namespace

TEST_CASE("area and extent of paths with arcs are those of the textbook's formulas") {
  struct Row {
    const char* source;
    CutPath path;
    double area_mm2;
    PointMm low, high;
  };
  CutPath clockwise = sample::rectangle({0, 0}, {30, 20});
  std::swap(clockwise.vertices[1], clockwise.vertices[3]);
  CutPath segment;  // 120 deg of r = 10: chord 2 r sin 60, sagitta r (1 - cos 60)
  segment.vertices = {{{-10 * std::sin(kPi / 3), 0}, std::tan(kPi / 6)},
                      {{10 * std::sin(kPi / 3), 0}}};
  CutPath most = segment;  // the other 240 deg
  most.vertices[0].bulge = -std::tan(kPi / 3);
  const Row rows[] = {{"pi r^2", sample::circle({100, 50}, 10), kPi * 100, {90, 40}, {110, 60}},
                      {"a b, clockwise", clockwise, -600, {0, 0}, {30, 20}},
                      {"r^2 (t - sin t) / 2, 120 deg",
                       segment,
                       50 * (2 * kPi / 3 - std::sin(2 * kPi / 3)),
                       {-10 * std::sin(kPi / 3), -5},
                       {10 * std::sin(kPi / 3), 0}},
                      {"r^2 (t - sin t) / 2, 240 deg",
                       most,
                       -50 * (4 * kPi / 3 - std::sin(4 * kPi / 3)),
                       {-10, 0},
                       {10, 15}}};
  for (const Row& row : rows) {
    CAPTURE(row.source);
    CHECK(std::abs(signed_area_mm2(row.path) - row.area_mm2) <= 1e-9);
    const Extent e = extent_of(row.path);
    CHECK(distance(e.low, row.low) <= 1e-9);
    CHECK(distance(e.high, row.high) <= 1e-9);
  }
}

TEST_CASE("chords stay within what was asked, and split arcs are the same curve") {
  for (std::uint32_t seed = 1; seed <= 5; ++seed) {
    for (const CutPath& path : sample::random_cut_sheet(seed).paths) {
      const outside::Line truth = outside::exact(path, 5);
      PolygonMm chords = flatten(path, 0.05);
      if (path.closed) chords.push_back(chords.front());
      CHECK(outside::apart(truth, {chords}) <= 0.05);
      CHECK(outside::apart(chords, {truth}) <= 0.0011);
      CutPath split = path;
      split.vertices = split_arcs(path, 0.3);
      for (const ArcVertex& v : split.vertices) CHECK(4 * std::atan(std::abs(v.bulge)) <= 0.3001);
      CHECK(outside::apart(outside::exact(split, 5), {truth}) <= 0.0011);
      CHECK(std::abs(signed_area_mm2(split) - signed_area_mm2(path)) <= 1e-6);
    }
  }
}

TEST_CASE("a shape within a shape is found, and a stated one is believed") {
  CutSheet sheet;
  sheet.length_mm = sheet.width_mm = 500;
  sheet.paths = {sample::circle({100, 100}, 10), sample::rectangle({0, 0}, {300, 300}),
                 sample::circle({100, 100}, 50), sample::circle({400, 400}, 20),
                 sample::rectangle({0, 0}, {500, 500}, CutKind::film_edge)};
  CHECK(nesting(sheet) == std::vector<int>{2, -1, 1, -1, -1});
  sheet.paths[3].inside_of = 1;
  CHECK(nesting(sheet)[3] == 1);
  // A corner of the L's notch lies inside the L's box, not inside the L.
  CutPath ell;
  ell.vertices = {{{0, 0}}, {{300, 0}}, {{300, 100}}, {{100, 100}}, {{100, 300}}, {{0, 300}}};
  sheet.paths = {ell, sample::rectangle({100, 100}, {300, 300})};
  CHECK(nesting(sheet) == std::vector<int>{-1, -1});
}

TEST_CASE("labels stand inside their shape, off its holes, and fit") {
  const CutSheet sheet = sample::cut_sheet();
  const std::vector<int> around = nesting(sheet);
  int labels = 0;
  for (std::size_t i = 0; i < sheet.paths.size(); ++i) {
    const CutPath& path = sheet.paths[i];
    if (path.label.empty() || path.kind != CutKind::cut) continue;
    ++labels;
    const LabelPlace place = label_place(sheet, around, i);
    for (const double side : {-0.5, 0.0, 0.5}) {
      const double reach = 0.65 * place.height_mm * static_cast<double>(path.label.size());
      const PointMm p = place.middle + PointMm{side * reach, 0};
      CAPTURE(path.label);
      CHECK(contains(flatten(path, 0.1), p));
      CHECK(distance(p, {820.5, 230.25}) > 60);
    }
  }
  CHECK(labels == 4);
}

TEST_CASE("every writer refuses a sheet it cannot vouch for, in one line with the path's number") {
  struct Row {
    const char* words;
    std::function<void(CutSheet&)> spoil;
  };
  const double nan = std::numeric_limits<double>::quiet_NaN();
  const double inf = std::numeric_limits<double>::infinity();
  const Row rows[] = {
      {"50 000 mm", [](CutSheet& s) { s.length_mm = 50001; }},
      {"50 000 mm", [&](CutSheet& s) { s.width_mm = nan; }},
      {"50 000 mm", [](CutSheet& s) { s.width_mm = 0; }},
      {"2001 paths", [](CutSheet& s) { s.paths.resize(2001, s.paths.front()); }},
      {"200 000", [](CutSheet& s) { s.paths[0].vertices.resize(200001); }},
      {"path 2 (rear left) has a corner", [&](CutSheet& s) { s.paths[1].vertices[3].at.x = nan; }},
      {"path 2 (rear left) has a corner", [&](CutSheet& s) { s.paths[1].vertices[0].bulge = inf; }},
      {"path 2 (rear left) has a corner", [](CutSheet& s) { s.paths[1].vertices[0].bulge = 1e9; }},
      {"path 3 has no length", [](CutSheet& s) { s.paths[2].vertices.clear(); }},
      {"path 3 has no length",
       [](CutSheet& s) {
         s.paths[2].vertices.assign(5, {{20, 20}});
       }},
      {"path 3 has an arc without length",
       [](CutSheet& s) { s.paths[2].vertices[1].at = s.paths[2].vertices[0].at; }},
      {"path 3 is closed around nothing",
       [](CutSheet& s) {
         s.paths[2].vertices = {{{0, 0}}, {{50, 50}}};
       }},
      {"path 2 (rear left) reaches 4.25 mm beyond the sheet's edge",
       [](CutSheet& s) { s.paths[1].vertices[0].at.y = -4.25; }},
      {"path 3 reaches 39.50 mm beyond",
       [](CutSheet& s) {
         s.length_mm = 841;
         s.paths.erase(s.paths.begin() + 3, s.paths.end());
         s.paths[0] = s.paths[1] = sample::circle({99, 99}, 5);
       }},
      {"does not exist", [](CutSheet& s) { s.paths[2].inside_of = 99; }},
      {"does not exist", [](CutSheet& s) { s.paths[2].inside_of = -7; }},
      {"of itself",
       [](CutSheet& s) {
         s.paths[2].inside_of = 1;
         s.paths[1].inside_of = 2;
       }},
      {"an open path", [](CutSheet& s) { s.paths[2].inside_of = 6; }},
      {"without a label", [](CutSheet& s) { s.paths[8].label.clear(); }},
  };
  for (const Row& row : rows) {
    CAPTURE(row.words);
    CutSheet sheet = sample::cut_sheet();
    row.spoil(sheet);
    for (const Result<std::string>& written :
         {drawings::to_cut_svg(sheet), drawings::to_cut_dxf(sheet), drawings::to_hpgl(sheet, {})}) {
      CHECK(!written.ok());
      if (written.ok()) continue;
      CAPTURE(written.error().detail);
      CHECK(written.error().detail.find(row.words) != std::string::npos);
      CHECK(written.error().detail.find('\n') == std::string::npos);
    }
  }
}

}  // namespace panecard::film
