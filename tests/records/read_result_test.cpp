// Result files come from strangers: what we wrote comes back, anything else is refused in one line.
#include <doctest/doctest.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "model/model.h"
#include "model/sample.h"
#include "records/records.h"
#include "support/folder.h"

namespace panecard::records {

using nlohmann::json;
using panecard::support::Folder;

namespace {

/// A slider with a source that is linear in place (half a thousandth of scale), one that follows
/// the normal, and noise.
model::Measurement with_covariance() {
  model::Measurement m = sample::slider();
  Contour& c = m.covariance;
  c.points = m.outline.points;
  c.sigma_mm.assign(c.points.size(), 0.0523);
  c.correlation_length_mm = 7.5;
  c.modes.resize(2);
  for (const PointMm p : c.points) c.modes[0].push_back(5e-4 * p);
  for (const PointMm p : outward_normals(c.points)) c.modes[1].push_back(0.12 * p);
  c.mode_names = {"print scale", "definition of the edge"};
  return m;
}

Result<StoredOutline> read(const std::string& bytes) {
  const Folder folder;
  return read_result(folder.write("pane.json", bytes));
}

/// The written file with one field made otherwise.
std::string changed(const json::json_pointer& where, const json& what) {
  json j = json::parse(to_json(with_covariance()));
  j[where] = what;
  return j.dump();
}

std::string without(const char* key) {
  json j = json::parse(to_json(with_covariance()));
  j.erase(key);
  return j.dump();
}

json bow_tie() {
  json j = json::parse(to_json(with_covariance()))["outline_mm"];
  std::swap(j[1], j[j.size() / 4]);
  return j;
}

}  // namespace

TEST_CASE("an outline comes back from its result file with its sources of error") {
  const model::Measurement m = with_covariance();
  const Result<StoredOutline> stored = read(to_json(m));
  REQUIRE(stored.ok());
  const Contour& c = stored->shape.contour;
  CHECK(stored->boundary == m.boundary);
  CHECK(stored->shape.sources_known);
  CHECK(c.correlation_length_mm == 7.5);
  CHECK(c.mode_names == m.covariance.mode_names);
  REQUIRE(c.points.size() == m.outline.points.size());
  REQUIRE(c.modes.size() == 2);
  for (std::size_t i = 0; i < c.points.size(); ++i) {
    CHECK(distance(c.points[i], m.outline.points[i]) < 1e-4);
    CHECK(std::abs(stored->shape.u95_mm[i] - m.outline.u95_mm[i]) < 1e-4);
    // Docs: linear between stations within 2 um, and rounded to 0.1 um.
    CHECK(std::abs(c.sigma_mm[i] - m.covariance.sigma_mm[i]) < 0.0022);
    for (const std::size_t k : {0, 1}) {
      CHECK(distance(c.modes[k][i], m.covariance.modes[k][i]) < 0.0022);
    }
  }
}

TEST_CASE("a result file without sources of error is read and says so") {
  for (const std::string& bytes : {to_json(sample::slider()), without("covariance")}) {
    const Result<StoredOutline> stored = read(bytes);
    REQUIRE(stored.ok());
    CHECK_FALSE(stored->shape.sources_known);
    CHECK(stored->shape.contour.modes.empty());
    CHECK(stored->shape.u95_mm.size() == stored->shape.contour.points.size());
  }
}

TEST_CASE("a measurement comes back with what a sheet shows of it") {
  model::Measurement m = sample::door();
  m.photo_sha256 = hex(sha256("photo"));
  const Folder folder;
  const Result<model::Measurement> back = read_measurement(folder.write("pane.json", to_json(m)));
  REQUIRE(back.ok());
  const outline::Outline &a = m.outline, &b = back->outline;
  CHECK(back->boundary == m.boundary);
  CHECK(back->photo_name == m.photo_name);
  CHECK(back->photo_width_px == m.photo_width_px);
  CHECK(back->photo_height_px == m.photo_height_px);
  CHECK(back->photo_sha256 == m.photo_sha256);
  CHECK(back->verdict == m.verdict);
  CHECK(b.seen == a.seen);
  CHECK(b.seen_fraction == a.seen_fraction);
  const auto same = [](const outline::Dimension& x, const outline::Dimension& y) {
    return std::abs(x.value - y.value) <= 1e-4 && std::abs(x.u95 - y.u95) <= 1e-4;
  };
  CHECK(same(b.long_mm, a.long_mm));
  CHECK(same(b.short_mm, a.short_mm));
  REQUIRE(b.diagonals_mm.size() == 2);
  CHECK(same(b.diagonals_mm[1], a.diagonals_mm[1]));
  REQUIRE(b.pieces.size() == a.pieces.size());
  for (std::size_t i = 0; i < a.pieces.size(); ++i) {
    CAPTURE(i);
    const auto size = [](const outline::Piece& p) { return p.corner ? p.radius : p.length_mm; };
    CHECK(b.pieces[i].name == a.pieces[i].name);
    CHECK(b.pieces[i].first == a.pieces[i].first % a.points.size());
    CHECK(same(size(b.pieces[i]), size(a.pieces[i])));
  }
  REQUIRE(back->warnings.size() == m.warnings.size());
  CHECK(back->warnings[0].text == m.warnings[0].text);
  REQUIRE(back->cards.size() == m.cards.size());
  CHECK(back->cards[1].kind == "sheet");
  CHECK(back->cards[1].corners_px[2].y == m.cards[1].corners_px[2].y);
}

TEST_CASE("without a box the sides are those of the points, at their worst") {
  const Folder folder;
  const auto back = read_measurement(folder.write("pane.json", without("box")));
  REQUIRE(back.ok());
  CHECK(std::abs(back->outline.long_mm.value - 486) <= 0.05);
  CHECK(std::abs(back->outline.long_mm.u95 - 1.6) <= 0.01);  // 0.5 + 0.3 sin, on both sides
}

TEST_CASE("hostile measurements end in one line that names the field") {
  const auto at = [](const char* path) { return json::json_pointer(path); };
  struct Row {
    const char* what;
    std::string bytes, says;
  };
  const std::vector<Row> rows = {
      {"text for a side", changed(at("/box/long_mm"), "long"), "long_mm"},
      {"a negative side", changed(at("/box/short_u95_mm"), -1), "short_u95_mm"},
      {"seen of another length", changed(at("/seen"), {true}), "seen"},
      {"seen with numbers", changed(at("/seen/2"), 1), "seen"},
      {"an edge that is a list", changed(at("/edges/0"), {1}), "edges"},
      {"an endless edge", changed(at("/edges/0/length_mm"), 1e300), "length_mm"},
      {"a corner without radius", changed(at("/corners/1"), {{"name", "corner B"}}), "radius_mm"},
      {"three diagonals", changed(at("/diagonals_mm"), {1, 2, 3}), "diagonals_mm"},
      {"a diagonal that is a number", changed(at("/diagonals_mm/0"), 1), "diagonals_mm"},
      {"a card of three corners", changed(at("/cards/0/corners_px"), {1, 2, 3}), "corners_px"},
      {"a card that is null", changed(at("/cards/0"), nullptr), "cards"},
      {"a photo of minus one", changed(at("/photo/width_px"), -1), "width_px"},
      {"warnings in a text", changed(at("/warnings"), "none"), "warnings"},
      {"a list", "[]", "format"},
  };
  const Folder folder;
  for (const Row& row : rows) {
    CAPTURE(row.what);
    const auto back = read_measurement(folder.write("pane.json", row.bytes));
    CHECK(!back.ok());
    if (back.ok()) continue;
    CHECK(back.error().code == Code::unreadable_file);
    CHECK(back.error().detail.find(row.says) != std::string::npos);
    CHECK(back.error().detail.find('\n') == std::string::npos);
  }
  CHECK(read_format(folder.write("pane.json", to_json(sample::slider()))).value() ==
        "panecard-outline");
  CHECK(!read_format(folder.write("pane.json", "{}")).ok());
  CHECK(!read_format(folder / "nowhere.json").ok());
}

TEST_CASE("hostile result files end in one line and in little time") {
  const auto at = [](const char* path) { return json::json_pointer(path); };
  const std::string whole = to_json(with_covariance());
  struct Row {
    const char* what;
    std::string bytes, says;
  };
  const std::vector<Row> rows = {
      {"empty", "", "JSON"},
      {"text", "a shopping list", "JSON"},
      {"cut off", whole.substr(0, whole.size() / 2), "JSON"},
      {"two documents", whole + whole, "JSON"},
      {"not UTF-8", "{\"format\": \"\xff\xfe\"}", "JSON"},
      {"NaN is not JSON", "{\"format\": NaN}", "JSON"},
      {"a number beyond double", "{\"format\": 1e999}", "JSON"},
      {"a list", "[1, 2, 3]", "format"},
      {"another format", changed(at("/format"), "outline"), "format"},
      {"a format that is no text", changed(at("/format"), {{"a", 1}}), "format"},
      {"a later version", changed(at("/version"), 2), "version"},
      {"a version that is no whole number", changed(at("/version"), 1.5), "version"},
      {"no version", without("version"), "version"},
      {"another boundary", changed(at("/boundary"), "rubber"), "boundary"},
      {"no outline", without("outline_mm"), "outline_mm"},
      {"an empty outline", changed(at("/outline_mm"), json::array()), "outline_mm"},
      {"two points", changed(at("/outline_mm"), {{0, 0}, {1, 1}}), "outline_mm"},
      {"text for a point", changed(at("/outline_mm/3"), "here"), "pairs"},
      {"three numbers for a point", changed(at("/outline_mm/3"), {1, 2, 3}), "pairs"},
      {"null for a number", changed(at("/outline_mm/3/0"), nullptr), "outline_mm"},
      {"a point on the moon", changed(at("/outline_mm/3/0"), 4e11), "outline_mm"},
      {"crossing itself", changed(at("/outline_mm"), bow_tie()), "crosses itself"},
      {"lists that differ", changed(at("/outline_u95_mm"), {1, 2}), "outline_u95_mm"},
      {"negative u95", changed(at("/outline_u95_mm/3"), -1), "outline_u95_mm"},
      {"pixels missing", without("outline_px"), "outline_px"},
      {"covariance is text", changed(at("/covariance"), "none"), "covariance"},
      {"stations do not start at 0", changed(at("/covariance/at/0"), 1), "at"},
      {"stations beyond the outline", changed(at("/covariance/at/5"), 1000000), "at"},
      {"stations that fall", changed(at("/covariance/at/5"), 0), "at"},
      {"a broken station", changed(at("/covariance/at/5"), 10.5), "at"},
      {"negative noise", changed(at("/covariance/noise_sigma_mm/0"), -0.1), "noise_sigma_mm"},
      {"sources are a number", changed(at("/covariance/sources"), 7), "sources"},
      {"a source is a list", changed(at("/covariance/sources/0"), {1}), "sources"},
      {"a short source", changed(at("/covariance/sources/0/shift_mm"), {{0, 0}}), "shift_mm"},
      {"a thousand sources", changed(at("/covariance/sources"), std::vector<json>(1000, nullptr)),
       "sources"},
      {"deep", std::string(3'000'000, '['), "nested"},
      {"crowded",
       "[" +
           [] {
             std::string s;
             for (int i = 0; i < 2'100'000; ++i) s += "0,";
             return s;
           }() +
           "0]",
       "too many"},
      {"too long", std::string().append(9'000'000, ' '), ""},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    const Result<StoredOutline> stored = read(row.bytes);
    CHECK_FALSE(stored.ok());
    if (stored.ok()) continue;
    CAPTURE(stored.error().detail);
    CHECK(stored.error().detail.find(row.says) != std::string::npos);
    CHECK(stored.error().detail.find('\n') == std::string::npos);
  }
  CHECK(rows.size() == 38);
}

TEST_CASE("an outline that runs clockwise is refused") {
  json j = json::parse(to_json(sample::slider()));
  std::reverse(j["outline_mm"].begin(), j["outline_mm"].end());
  const Result<StoredOutline> stored = read(j.dump());
  REQUIRE_FALSE(stored.ok());
  CHECK(stored.error().detail.find("counter-clockwise") != std::string::npos);
}

}  // namespace panecard::records
