// Which film a job is cut from, and what is left of it.
#include <doctest/doctest.h>

#include "layout/layout.h"

namespace panecard::layout {
namespace {

PolygonMm box(double x, double y, double length, double width) {
  return {{x, y}, {x + length, y}, {x + length, y + width}, {x, y + width}};
}

Effort brief(std::size_t /*which*/) {
  Effort effort;
  effort.moves = 2000;
  return effort;
}

}  // namespace

TEST_CASE("largest_free: the rectangle that hand arithmetic finds, never a larger one") {
  struct Row {
    const char* what;
    std::vector<PolygonMm> shapes;
    double length, width;
  };
  const Row rows[] = {
      {"nothing lies there", {}, 1000, 500},
      {"one piece at the start", {box(0, 0, 300, 500)}, 700, 500},
      {"a piece along the lower edge", {box(0, 0, 1000, 200)}, 1000, 300},
      {"two corners taken", {box(0, 0, 400, 400), box(700, 200, 300, 300)}, 700 - 400, 500},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    const Rectangle r = largest_free(row.shapes, 1000, 500, 0, 2);
    const double truth = row.length * row.width;
    // The raster takes a cell more on each side than it must.
    CHECK(r.length_mm * r.width_mm <= truth);
    CHECK(r.length_mm * r.width_mm >= truth - 8 * (1000 + 500));
  }
}

TEST_CASE("choose: leftovers before rolls, then the cheapest, and reasons for the rest") {
  const std::vector<Item> items = {{"a", box(0, 0, 400, 300), {0, 90, 180, 270}, false, 2}};
  const std::vector<Film> films = {
      {"wide", "clear", 1524, 10000, 30, false}, {"narrow", "clear", 250, 10000, 1, false},
      {"fair", "clear", 610, 10000, 10, false},  {"shelf 1", "clear", 620, 900, 0, true},
      {"shelf 2", "clear", 620, 300, 0, true},   {"empty", "clear", 610, 100, 10, false}};
  const auto choice = choose(items, films, 0, 0, 100, brief);
  REQUIRE(choice.ok());
  REQUIRE(choice->offers.size() == 3);
  CHECK(films[choice->offers[0].film].name == "shelf 1");
  CHECK(films[choice->offers[1].film].name == "fair");
  CHECK(films[choice->offers[2].film].name == "wide");
  // 2 x 300 mm across 610 mm: 400 mm of it.
  const Offer& fair = choice->offers[1];
  CHECK(std::abs(fair.layout.length_mm - 400) < 1e-3);
  CHECK(std::abs(fair.cost - 4.0) < 1e-4);
  CHECK(std::abs(fair.waste_mm2 - 400 * 10) < 1);
  CHECK(std::abs(fair.rest.length_mm - 9600) < 1e-3);
  CHECK(fair.rest.width_mm == 610);
  REQUIRE(choice->refused.size() == 3);
  CHECK(choice->refused[0].why.find("50 mm more") != std::string::npos);
  CHECK(choice->refused[1].why.find("too few") != std::string::npos);
  CHECK(choice->refused[2].why.find("300 mm too few") != std::string::npos);
}

}  // namespace panecard::layout
