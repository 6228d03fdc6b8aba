// Cut sheets: SVG read by librsvg, DXF read by GDAL, held against the exact curves.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <sstream>

#include "drawings/drawings.h"
#include "film/cut_shapes.h"
#include "film/film.h"
#include "support/outside.h"

namespace panecard::drawings {
namespace {

constexpr double kTolerance = 0.05;

std::vector<outside::Line> exact_lines(const film::CutSheet& sheet, film::CutKind kind) {
  std::vector<outside::Line> out;
  for (const film::CutPath& path : sheet.paths) {
    if (path.kind == kind && path.vertices.size() > 1) out.push_back(outside::exact(path, 2));
  }
  return out;
}

// Both ways, so that nothing is missing and nothing is added.
void check_same(const std::vector<outside::Line>& read, const std::vector<outside::Line>& truth) {
  CHECK(read.size() == truth.size());
  double worst = 0;
  double length = 0;
  for (const outside::Line& line : read) {
    worst = std::max(worst, outside::apart(line, truth));
    length += outside::length_of(line);
  }
  for (const outside::Line& line : truth) {
    worst = std::max(worst, outside::apart(line, read));
    length -= outside::length_of(line);
  }
  CHECK(worst <= kTolerance);
  CHECK(std::abs(length) <= 0.1);
}

std::vector<film::CutSheet> sheets() {
  return {sample::cut_sheet(), sample::random_cut_sheet(11), sample::random_cut_sheet(12)};
}

}  // namespace

TEST_CASE("GDAL reads the cut DXF: every curve on its layer within 0.05 mm") {
  const std::map<film::CutKind, std::string> kLayers = {{film::CutKind::cut, "CUT"},
                                                        {film::CutKind::mark, "MARK"},
                                                        {film::CutKind::film_edge, "FILM_EDGE"}};
  for (const film::CutSheet& sheet : sheets()) {
    const Result<std::string> dxf = to_cut_dxf(sheet);
    REQUIRE(dxf.ok());
    const std::vector<outside::DxfFeature> features = outside::read_dxf(dxf.value());
    for (const auto& each : kLayers) {
      const std::string& layer = each.second;
      std::vector<outside::Line> read;
      for (const outside::DxfFeature& f : features) {
        if (f.layer == layer && f.points.size() > 1) read.push_back(f.points);
      }
      CAPTURE(layer);
      check_same(read, exact_lines(sheet, each.first));
    }
  }
}

TEST_CASE("GDAL finds the labels of the cut DXF on the layer MARK, inside their shapes") {
  std::map<std::string, PointMm> labels;
  for (const outside::DxfFeature& f : outside::read_dxf(to_cut_dxf(sample::cut_sheet()).value())) {
    if (f.points.size() != 1) continue;
    CHECK(f.layer == "MARK");
    labels[f.text] = f.points[0];
  }
  REQUIRE(labels.size() == 6);
  CHECK(contains({{520, 30}, {1120, 30}, {1120, 430}, {520, 430}}, labels.at("rear left")));
  CHECK(distance(labels.at("keyhole"), {300, 600 - 100 * std::cos(std::numbers::pi / 6)}) < 100);
  CHECK(distance(labels.at("sheet 1 of 2"), {300, 860}) <= 1e-6);
}

TEST_CASE(
    "the cut DXF states R12, millimetres and the sheet's size, in ASCII whatever the labels") {
  const std::string dxf = to_cut_dxf(sample::random_cut_sheet(3)).value();
  CHECK(dxf.find("$ACADVER\n1\nAC1009\n") != std::string::npos);
  CHECK(dxf.find("$INSUNITS\n70\n4\n") != std::string::npos);
  CHECK(dxf.find("$EXTMAX\n10\n1600.000000\n20\n1200.000000\n") != std::string::npos);
  CHECK(std::all_of(dxf.begin(), dxf.end(),
                    [](char c) { return c == '\n' || (c >= ' ' && c < 127); }));
}

TEST_CASE("librsvg reads the cut SVG: every curve in its colour within 0.05 mm, at true size") {
  const std::map<film::CutKind, std::string> kColours = {
      {film::CutKind::cut, outside::cairo_colour(0xe0, 0x54, 0x0b)},
      {film::CutKind::mark, outside::cairo_colour(0x66, 0x70, 0x7a)},
      {film::CutKind::film_edge, outside::cairo_colour(0xc4, 0xcb, 0xd1)}};
  constexpr double kMmPerPx = 25.4 / 96;  // CSS: 1in is 96px
  for (const film::CutSheet& sheet : sheets()) {
    const Result<std::string> svg = to_cut_svg(sheet);
    REQUIRE(svg.ok());
    const outside::TemporaryFile file(".svg", svg.value());
    const std::string read = outside::run("rsvg-convert", "librsvg2-bin", "-f svg " + file.path());
    for (const auto& each : kColours) {
      const std::string& colour = each.second;
      std::vector<outside::Line> lines = outside::lines_in_cairo_svg(read, colour, kMmPerPx);
      for (outside::Line& line : lines) {
        for (PointMm& p : line) p.y = sheet.width_mm - p.y;
      }
      CAPTURE(colour);
      check_same(lines, exact_lines(sheet, each.first));
    }
  }
}

TEST_CASE("the cut SVG has one group per kind and no dashes") {
  const std::string svg = to_cut_svg(sample::cut_sheet()).value();
  for (const char* group : {"<g id=\"film-edge\">", "<g id=\"mark\">", "<g id=\"cut\">"}) {
    const std::size_t at = svg.find(group);
    CHECK(at != std::string::npos);
    CHECK(svg.find(group, at + 1) == std::string::npos);
  }
  CHECK(svg.find("width=\"1200mm\" height=\"900mm\" viewBox=\"0 0 1200 900\"") !=
        std::string::npos);
  CHECK(svg.find("dasharray") == std::string::npos);
  const std::size_t mark = svg.find("<g id=\"mark\">");
  const std::size_t label = svg.find(">rear left</text>");
  CHECK(label > mark);
  CHECK(label < svg.find("</g>", mark));
  CHECK(svg.find("A14 14 0 0 ") != std::string::npos);
}

TEST_CASE("a whole circle comes back from the DXF as one") {
  film::CutSheet sheet;
  sheet.length_mm = sheet.width_mm = 300;
  sheet.paths = {sample::circle({150, 150}, 150)};
  for (const outside::DxfFeature& f : outside::read_dxf(to_cut_dxf(sheet).value())) {
    for (const PointMm p : f.points) CHECK(std::abs(distance(p, {150, 150}) - 150) <= 1e-4);
  }
}

}  // namespace panecard::drawings
