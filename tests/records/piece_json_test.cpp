// Piece files pass from hand to hand: what we wrote comes back, anything else is refused in one
// line that says where.
#include <doctest/doctest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <numbers>

#include "records/records.h"
#include "support/folder.h"

namespace panecard::records {

using nlohmann::json;
using panecard::support::Folder;

namespace {

/// A slot, 300 x 100 mm with round ends: two lines, two half circles.
film::FilmPiece slot() {
  film::FilmPiece piece;
  piece.name = "slider \"left\", 2\u00d7";
  piece.boundary = "dots";
  piece.along = "level";
  piece.may_mirror = true;
  piece.copies = 7;
  constexpr int kParts = 200;
  const auto half_circle = [&](PointMm centre, double from) {
    for (int i = 0; i <= kParts; ++i) {
      const double a = from + std::numbers::pi * i / kParts;
      piece.cut.push_back(centre + 50 * PointMm{std::cos(a), std::sin(a)});
    }
  };
  half_circle({100, 0}, -std::numbers::pi / 2);
  half_circle({-100, 0}, std::numbers::pi / 2);
  piece.arcs = {{{100, -50}, 1}, {{100, 50}, 0}, {{-100, 50}, 1}, {{-100, -50}, 0}};
  piece.area_mm2 = 200 * 100 + std::numbers::pi * 50 * 50;
  piece.sides = {{"edge 1", "right", 0, 200, 2.5, 0.5, 0.5}, {"top", "top", 200, 201, -1, 0, {}}};
  piece.findings = {{"corner_kept", "corner A is rounder than asked for"}};
  return piece;
}

Result<film::FilmPiece> read(const std::string& bytes) {
  const Folder folder;
  return read_piece(folder.write("piece.json", bytes));
}

std::string changed(const char* where, const json& what) {
  json j = json::parse(to_piece_json(slot()));
  j[json::json_pointer(where)] = what;
  return j.dump();
}

std::string without(const char* key) {
  json j = json::parse(to_piece_json(slot()));
  j.erase(key);
  return j.dump();
}

}  // namespace

TEST_CASE("a film piece comes back from its file as it was") {
  const film::FilmPiece piece = slot();
  const Result<film::FilmPiece> back = read(to_piece_json(piece));
  REQUIRE_MESSAGE(back.ok(), (back.ok() ? "" : back.error().detail));
  CHECK(back->name == piece.name);
  CHECK(back->boundary == piece.boundary);
  CHECK(back->along == piece.along);
  CHECK(back->may_mirror);
  CHECK(back->copies == 7);
  // Chords 0.006 mm inside the arc at most, over two half circles of 157 mm.
  CHECK(std::abs(back->area_mm2 - piece.area_mm2) < 0.006 * 2 * 158);
  REQUIRE(back->cut.size() == piece.cut.size());
  for (std::size_t i = 0; i < piece.cut.size(); ++i) {
    CHECK(distance(back->cut[i], piece.cut[i]) < 1e-4);
  }
  REQUIRE(back->arcs.size() == 4);
  for (std::size_t i = 0; i < 4; ++i) {
    CHECK(distance(back->arcs[i].at, piece.arcs[i].at) < 1e-4);
    CHECK(std::abs(back->arcs[i].bulge - piece.arcs[i].bulge) < 1e-8);
  }
  REQUIRE(back->sides.size() == 2);
  CHECK(back->sides[0].name == "edge 1");
  CHECK(back->sides[0].where == "right");
  CHECK(back->sides[0].last == 200);
  CHECK(back->sides[0].allowance_mm == 2.5);
  CHECK(back->sides[0].u95_added_mm == 0.5);
  CHECK(back->sides[0].u95_mm == 0.5);
  CHECK(back->sides[1].allowance_mm == -1);
  CHECK_FALSE(back->sides[1].u95_mm.has_value());
  REQUIRE(back->findings.size() == 1);
  CHECK(back->findings[0].code == "corner_kept");
  CHECK(back->findings[0].text == piece.findings[0].text);
}

TEST_CASE("hostile piece files end in one line that says what is wrong") {
  const std::string whole = to_piece_json(slot());
  json bow_tie = json::parse(whole)["cut_mm"];
  std::swap(bow_tie[50], bow_tie[300]);
  json clockwise = json::parse(whole)["cut_mm"];
  std::reverse(clockwise.begin(), clockwise.end());
  json crowd = json::array();
  for (int i = 0; i < 30'000; ++i) crowd.push_back({i, i % 2});
  struct Row {
    const char* what;
    std::string bytes, says;
  };
  const std::vector<Row> rows = {
      {"empty", "", "line 1, column 1"},
      {"text on line 3", "{\n  \"format\":\n  film\n}", "line 3, column 4"},
      {"cut off", whole.substr(0, whole.size() / 2), "JSON"},
      {"NaN is not JSON", "{\"format\": NaN}", "line 1, column 12"},
      {"a number beyond double", "{\"format\": 1e999}", "out of range"},
      {"deep", std::string(3'000'000, '['), "nested"},
      {"too long", std::string().append(9'000'000, ' '), ""},
      {"an outline", changed("/format", "panecard-outline"), "format"},
      {"a later version", changed("/version", 2), "version"},
      {"another boundary", changed("/boundary", "rubber"), "boundary"},
      {"another direction", changed("/along", "sideways"), "along"},
      {"no direction", without("along"), "along"},
      {"may_mirror is a number", changed("/may_mirror", 1), "may_mirror"},
      {"no copies", changed("/copies", 0), "copies"},
      {"half a copy", changed("/copies", 1.5), "copies"},
      {"a million copies", changed("/copies", 1'000'000), "copies"},
      {"no cut line", without("cut_mm"), "cut_mm"},
      {"two points", changed("/cut_mm", {{0, 0}, {1, 1}}), "cut_mm"},
      {"too many points", changed("/cut_mm", crowd), "cut_mm"},
      {"text for a point", changed("/cut_mm/3", "here"), "pairs"},
      {"null for a number", changed("/cut_mm/3/0", nullptr), "cut_mm"},
      {"a point on the moon", changed("/cut_mm/3/0", 4e11), "cut_mm"},
      {"crossing itself", changed("/cut_mm", bow_tie), "itself at x "},
      {"a plain bow tie", changed("/cut_mm", {{0, 0}, {10, 10}, {10, 0}, {0, 10}}),
       "itself at x 5, y 5 mm"},
      {"clockwise", changed("/cut_mm", clockwise), "clockwise"},
      {"no area", changed("/cut_mm", {{0, 0}, {1, 0}, {1, 1e-3}}), "open"},
      {"no arcs", without("arcs"), "arcs"},
      {"arcs without bulge", changed("/arcs/1", {100, 50}), "bulge"},
      {"arcs elsewhere", changed("/arcs/1/1", 51), "leave its cut line at x 1"},
      {"straight where the cut is round", changed("/arcs/0/2", 0), "leave its cut line"},
      {"half of the way there and back", changed("/arcs", {{100, -50, 1}, {100, 50, -1}}), "areas"},
      {"an endless bulge", changed("/arcs/0/2", 1e9), "arcs"},
      {"sides are text", changed("/sides", "none"), "sides"},
      {"a side beyond the cut", changed("/sides/0/last", 402), "last"},
      {"a side that starts between points", changed("/sides/0/first", 0.5), "first"},
      {"an allowance of a kilometre", changed("/sides/0/allowance_mm", 1e6), "allowance_mm"},
      {"less than nothing added", changed("/sides/0/u95_added_mm", -1), "u95_added_mm"},
      {"findings are text", changed("/findings/0", "none"), "findings"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    const Result<film::FilmPiece> piece = read(row.bytes);
    CHECK_FALSE(piece.ok());
    if (piece.ok()) continue;
    CAPTURE(piece.error().detail);
    CHECK(piece.error().detail.find(row.says) != std::string::npos);
    CHECK(piece.error().detail.find('\n') == std::string::npos);
  }
}

}  // namespace panecard::records
