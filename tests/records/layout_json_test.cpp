// A layout's file is what the knife and the job sheet go by.
#include <doctest/doctest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <numbers>
#include <random>

#include "film/film.h"
#include "film/tongues.h"
#include "records/records.h"
#include "support/folder.h"

namespace panecard::records {

using nlohmann::json;
using panecard::support::Folder;
using sample::furthest_between;
using sample::tongue;
using sample::two_tongues;

namespace {

Result<film::FilmLayout> read(const std::string& bytes) {
  const Folder folder;
  return read_layout(folder.write("layout.json", bytes));
}

std::string changed(const char* where, const json& what) {
  json j = json::parse(to_layout_json(two_tongues()));
  j[json::json_pointer(where)] = what;
  return j.dump();
}

}  // namespace

TEST_CASE("the knife goes where the layout put the piece, turned and mirrored, arcs and all") {
  std::mt19937 random(5);
  std::uniform_real_distribution<double> any(0, 360);
  const film::FilmPiece piece = tongue();
  const layout::Item item{"tongue", film::shape_of(piece), {0}, true, 1};
  for (const bool mirrored : {false, true}) {
    for (const double turn : {0.0, 90.0, 180.0, 270.0, any(random), any(random)}) {
      CAPTURE(mirrored);
      CAPTURE(turn);
      layout::Placed placed;
      placed.turn_deg = turn, placed.mirrored = mirrored, placed.shift = {any(random), any(random)};
      film::FilmPiece moved = piece;
      moved.arcs = film::laid(piece, placed, 0, 1).arcs;
      const PolygonMm knife = film::shape_of(moved), shape = placed_shape(item, placed);
      CHECK(furthest_between(knife, shape) < 0.006);
      CHECK(furthest_between(shape, knife) < 0.006);
      CHECK(signed_area_mm2(knife) > 0);
    }
  }
}

TEST_CASE("a twin is the piece mirrored, and mirrored twice it is the piece") {
  const film::FilmPiece piece = tongue(), twin = film::twin_of(piece), back = film::twin_of(twin);
  CHECK(std::abs(signed_area_mm2(twin.cut) - signed_area_mm2(piece.cut)) < 1e-6);
  CHECK(furthest_between(film::shape_of(back), film::shape_of(piece)) < 1e-9);
  CHECK(furthest_between(film::shape_of(twin), film::shape_of(piece)) > 10);
}

TEST_CASE("a piece's size is uncertain by what its two worst sides still lack together") {
  const film::LaidPiece of = film::laid(tongue());
  REQUIRE(of.u95_mm);
  CHECK(std::abs(*of.u95_mm - (0.7 - 0.5 + 0.3)) < 1e-12);
  CHECK(std::abs(of.level_mm - (100 + 40 + 0.1 * 30)) < 1e-9);  // sagitta = bulge x half chord
  CHECK(std::abs(of.upright_mm - 80) < 1e-9);
  film::FilmPiece unknown = tongue();
  unknown.sides[0].u95_mm.reset();
  CHECK(!film::laid(unknown).u95_mm);
}

TEST_CASE("a layout's file says all of it again") {
  const film::FilmLayout before = two_tongues();
  const auto after = read(to_layout_json(before));
  REQUIRE(after.ok());
  CHECK(to_layout_json(after.value()) == to_layout_json(before));
  REQUIRE(after->strips.size() == 2);
  CHECK(after->strips[0].film.leftover);
  CHECK(after->strips[1].copies[0].mirrored);
  CHECK(after->strips[1].film.kind == "carbon 35");
}

TEST_CASE("a layout's file from a stranger is refused with the reason") {
  struct Row {
    std::string bytes;
    const char* says;
  };
  const std::vector<Row> rows = {
      {"{", "line 1"},
      {changed("/format", "panecard-piece"), "panecard-layout"},
      {changed("/version", 1), "version"},
      {changed("/strips", json::array()), "strips"},
      {changed("/strips/0", 7), "strips"},
      {changed("/strips/0/film", 3), "film"},
      {changed("/strips/1/film/width_mm", -1), "width_mm"},
      {changed("/strips/0/length_mm", 1e9), "length_mm"},
      {changed("/pieces", json::array()), "pieces"},
      {changed("/pieces/0/copies", 1.5), "whole"},
      {changed("/pieces/0/along", "sideways"), "along"},
      {changed("/placed", json::array()), "placed"},
      {changed("/placed/0/piece", 1), "piece"},
      {changed("/placed/1/strip", 2), "strip"},
      {changed("/placed/0/arcs", json::array({1, 2})), "arcs"},
      {changed("/placed/0/arcs/0/0", -500), "edge"},
      {changed("/placed/0/arcs/0/2", 1e6), "arcs"},
      {changed("/strips/1/findings", 1), "findings"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.says);
    const auto layout = read(row.bytes);
    REQUIRE(!layout.ok());
    CAPTURE(layout.error().detail);
    CHECK(layout.error().code == Code::unreadable_file);
    CHECK(layout.error().detail.find(row.says) != std::string::npos);
  }
}

}  // namespace panecard::records
