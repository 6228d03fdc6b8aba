// The stock file is kept by hand: what it says is believed only within bounds, and what a job takes
// from it changes nothing else.
#include <doctest/doctest.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "film/film.h"
#include "records/records.h"
#include "support/folder.h"

namespace panecard::records {

using nlohmann::json;
using panecard::support::Folder;

namespace {

const char* const kStock = R"({
  "format": "panecard-stock", "version": 1, "currency": "EUR", "shop": "Back Yard",
  "rolls": [
    {"name": "A", "film": "carbon 35", "width_mm": 1016, "left_m": 18.5, "price_per_m": 9.8},
    {"name": "B", "film": "carbon 35", "width_in": 60, "left_ft": 40, "price_per_ft": 4.4, "shelf": 2}
  ],
  "leftovers": [
    {"name": "C", "film": "carbon 35", "width_mm": 610, "length_in": 30}
  ]
})";

Result<film::Stock> read(const std::string& bytes) {
  const Folder folder;
  return read_stock(folder.write("stock.json", bytes));
}

std::string changed(const char* where, const json& what) {
  json j = json::parse(kStock);
  j[json::json_pointer(where)] = what;
  return j.dump();
}

}  // namespace

TEST_CASE("a stock file is read in either unit, by the inch of 25.4 mm and the foot of 304.8 mm") {
  const auto stock = read(kStock);
  REQUIRE(stock.ok());
  CHECK(stock->currency == "EUR");
  REQUIRE(stock->films.size() == 3);
  struct Row {
    const char* name;
    double width_mm, length_mm, price_per_m;
    bool leftover;
  };
  const Row rows[] = {{"A", 1016, 18500, 9.8, false},
                      {"B", 1524, 12192, 4.4 / 0.3048, false},
                      {"C", 610, 762, 0, true}};
  for (std::size_t k = 0; k < 3; ++k) {
    CAPTURE(rows[k].name);
    const layout::Film& film = stock->films[k];
    CHECK(film.name == rows[k].name);
    CHECK(film.kind == "carbon 35");
    CHECK(std::abs(film.width_mm - rows[k].width_mm) < 1e-9);
    CHECK(std::abs(film.length_mm - rows[k].length_mm) < 1e-9);
    CHECK(std::abs(film.price_per_m - rows[k].price_per_m) < 1e-9);
    CHECK(film.leftover == rows[k].leftover);
  }
}

TEST_CASE("what is wrong with a stock file is said with its place") {
  struct Row {
    std::string bytes;
    const char* says;
  };
  const std::vector<Row> rows = {
      {"", "line 1, column 1"},
      {"{\n  \"format\": \"panecard-stock\",\n  \"version\": 1,,\n}", "line 3, column 16"},
      {R"({"format": "panecard-piece", "version": 1})", "panecard-stock"},
      {R"({"format": "panecard-stock", "version": 2})", "version"},
      {R"({"format": "panecard-stock", "version": 1})", "neither \"rolls\" nor"},
      {changed("/rolls", "none"), "no list"},
      {changed("/rolls/1", 7), "\"rolls\", entry 2"},
      {changed("/rolls/0/name", ""), "\"rolls\", entry 1: it has no \"name\""},
      {changed("/rolls/1/name", "A"), "two films are called 'A'"},
      {changed("/rolls/0/width_mm", 0), "width_mm"},
      {changed("/rolls/0/width_mm", -5), "width_mm"},
      {changed("/rolls/0/width_mm", 1e9), "width_mm"},
      {changed("/rolls/0/width_mm", "1016"), "width_mm"},
      {changed("/rolls/0/width_in", 40), "both stated"},
      {changed("/rolls/0/left_m", -1), "left_m"},
      {changed("/rolls/0/price_per_m", -1), "price_per_m"},
      {changed("/leftovers/0/length_in", nullptr), "length_in"},
      {changed("/leftovers/0", json{{"name", "D"}, {"width_mm", 300}}), "neither \"length_mm\""},
  };
  for (const Row& row : rows) {
    CAPTURE(row.bytes);
    const auto stock = read(row.bytes);
    REQUIRE(!stock.ok());
    CHECK(stock.error().code == Code::unreadable_file);
    CAPTURE(stock.error().detail);
    CHECK(stock.error().detail.find(row.says) != std::string::npos);
    CHECK(stock.error().detail.find('\n') == std::string::npos);
  }
}

TEST_CASE("a job takes its length from one film and leaves everything else as it was") {
  const auto stock = read(kStock);
  REQUIRE(stock.ok());
  struct Row {
    std::size_t film;
    double used_mm;
    const char* where;
    double then;
  };
  // 18.5 m - 2.4004 m, rounded down to mm; 40 ft - 1000 mm = 36.719 ft; 30 in - 100 mm = 26.06 in.
  const Row rows[] = {{0, 2400.4, "/rolls/0/left_m", 16.099},
                      {0, 18500, "/rolls/0/left_m", 0},
                      {1, 1000, "/rolls/1/left_ft", 36.719},
                      {2, 100, "/leftovers/0/length_in", 26.0}};
  for (const Row& row : rows) {
    CAPTURE(row.where);
    const auto bytes = stock_after(stock.value(), {{row.film, row.used_mm, {}}}, 150);
    REQUIRE(bytes.ok());
    json now = json::parse(bytes.value());
    const json::json_pointer where(row.where);
    CHECK(std::abs(now[where].get<double>() - row.then) < 1e-9);
    json before = json::parse(kStock);
    now[where] = before[where] = 0;
    CHECK(now == before);
  }
}

TEST_CASE("a job on several films takes from each of them") {
  const auto stock = read(kStock);
  REQUIRE(stock.ok());
  const auto bytes = stock_after(
      stock.value(), {{2, 762, {}}, {0, 1000, {{{0, 0}, 300, 200}}}, {1, 3048, {}}}, 150);
  REQUIRE(bytes.ok());
  const json now = json::parse(bytes.value());
  CHECK(std::abs(now["rolls"][0]["left_m"].get<double>() - 17.5) < 1e-9);
  CHECK(std::abs(now["rolls"][1]["left_ft"].get<double>() - 30) < 1e-9);  // 3048 mm are 10 ft
  REQUIRE(now["leftovers"].size() == 1);
  CHECK(now["leftovers"][0]["name"] == "A rest 1");
}

TEST_CASE("no film gives more than it has") {
  const auto stock = read(kStock);
  REQUIRE(stock.ok());
  const auto bytes = stock_after(stock.value(), {{0, 100, {}}, {2, 763, {}}}, 150);
  REQUIRE(!bytes.ok());
  CHECK(bytes.error().code == Code::does_not_fit);
}

TEST_CASE(
    "a leftover too small to keep goes, and what a job leaves over comes in under a new name") {
  const auto stock = read(kStock);
  REQUIRE(stock.ok());
  const auto bytes =
      stock_after(stock.value(), {{2, 620, {{{0, 0}, 300.9, 200.2}, {{0, 0}, 400, 160}}}}, 150);
  REQUIRE(bytes.ok());
  const json leftovers = json::parse(bytes.value())["leftovers"];
  REQUIRE(leftovers.size() == 2);
  CHECK(
      leftovers[0] ==
      json{{"name", "C rest 1"}, {"film", "carbon 35"}, {"width_mm", 200.0}, {"length_mm", 300.0}});
  CHECK(leftovers[1]["name"] == "C rest 2");
  CHECK(read(bytes.value()).ok());
}

TEST_CASE("a stock can be read again after any job, however slim the rest and long the name") {
  const std::string name(80, 'n');  // as long as a name may be
  const auto stock = read(changed("/rolls/0/name", name));
  REQUIRE(stock.ok());
  const auto bytes = stock_after(
      stock.value(), {{0, 100, {{{0, 0}, 300, 4}, {{0, 0}, 300, 200}, {{0, 0}, 310, 210}}}}, 0);
  REQUIRE(bytes.ok());
  const auto again = read(bytes.value());
  REQUIRE_MESSAGE(again.ok(), (again.ok() ? "" : again.error().detail));
  CHECK(again->films.size() == stock->films.size() + 2);  // 4 mm are no film
}

}  // namespace panecard::records
