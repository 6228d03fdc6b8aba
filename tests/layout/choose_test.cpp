// Which film a job is cut from, and what is left of it.
#include <doctest/doctest.h>

#include <random>
#include <set>

#include "layout/layout.h"

namespace panecard::layout {
namespace {

PolygonMm box(double x, double y, double length, double width) {
  return {{x, y}, {x + length, y}, {x + length, y + width}, {x, y + width}};
}

Effort brief(double /*share*/) {
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
  const auto choice = choose(items, films, {0, 0, 100}, brief);
  REQUIRE(choice.ok());
  REQUIRE(choice->offers.size() == 3);
  REQUIRE(choice->strips.size() == 1);
  CHECK(choice->strips[0].film == choice->offers[0].film);
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

// Rectangles, so that every number below is hand arithmetic.
TEST_CASE("choose: leftovers take what they can and the rest goes on the cheapest roll") {
  const std::vector<Item> items = {{"door", box(0, 0, 800, 400), {0, 90, 180, 270}, false, 2},
                                   {"vent", box(0, 0, 300, 200), {0, 90, 180, 270}, false, 2}};
  const Film shelf{"shelf", "dark", 420, 320, 0, true}, roll_a{"A", "dark", 590, 9000, 10, false},
      roll_b{"B", "dark", 590, 9000, 8, false};
  const auto choice = choose(items, {roll_a, shelf, roll_b}, {0, 0, 100}, brief);
  REQUIRE(choice.ok());
  REQUIRE(choice->strips.size() == 2);
  const Offer &first = choice->strips[0], &second = choice->strips[1];
  CHECK(first.film == 1);
  CHECK(second.film == 2);
  // 2 vents side by side are 300 mm long and 400 of 420 wide; beside a door 190 mm are free.
  CHECK(first.layout.placed.size() == 2);
  CHECK(std::abs(first.layout.length_mm - 300) < 1e-3);
  CHECK(first.cost == 0);
  CHECK(std::abs(first.waste_mm2 - (300 * 420 - 2 * 300 * 200)) < 1);
  CHECK(second.layout.placed.size() == 2);
  CHECK(std::abs(second.cost - second.layout.length_mm / 1000 * 8) < 1e-9);
}

TEST_CASE("choose: a leftover that saves no roll stays where it is") {
  // The vent goes into the roll's length beside the door, so cutting it elsewhere gains nothing.
  const std::vector<Item> items = {{"door", box(0, 0, 800, 400), {0, 180}, false, 1},
                                   {"vent", box(0, 0, 300, 200), {0, 180}, false, 1}};
  const std::vector<Film> films = {{"A", "dark", 610, 9000, 10, false},
                                   {"shelf", "dark", 420, 320, 0, true}};
  const auto choice = choose(items, films, {0, 0, 100}, brief);
  REQUIRE(choice.ok());
  REQUIRE(choice->strips.size() == 1);
  CHECK(choice->strips[0].film == 0);
  CHECK(choice->strips[0].layout.placed.size() == 2);
}

TEST_CASE("choose: where a roll ends the next one goes on, and where all end nothing is cut") {
  const Item door{"door", box(0, 0, 500, 400), {0, 180}, false, 3};
  const Film end{"end", "dark", 410, 1100, 5, false}, fresh{"fresh", "dark", 410, 9000, 10, false},
      stub{"stub", "dark", 410, 450, 1, false};
  const auto split = choose({door}, {fresh, end}, {0, 0, 100}, brief);
  REQUIRE(split.ok());
  REQUIRE(split->strips.size() == 2);  // cheaper than all on the fresh one: 5 + 5 against 15
  CHECK(split->strips[0].film == 1);
  CHECK(split->strips[0].layout.placed.size() == 2);
  CHECK(split->strips[1].layout.placed.size() == 1);
  const auto two = choose({door}, {end, end}, {0, 0, 100}, brief);
  REQUIRE(two.ok());
  CHECK(two->offers.empty());
  CHECK(two->strips.size() == 2);
  const auto none = choose({door}, {end, stub}, {0, 0, 100}, brief);
  REQUIRE(none.ok());
  CHECK(none->strips.empty());
  CHECK(none->refused.size() == 2);
}

TEST_CASE("choose: a piece too wide for the cheap roll takes the wide one, the others do not") {
  const std::vector<Item> items = {{"roof", box(0, 0, 1200, 900), {0, 180}, false, 1},
                                   {"door", box(0, 0, 800, 400), {0, 180}, false, 4}};
  const std::vector<Film> films = {{"wide", "dark", 1000, 9000, 60, false},
                                   {"narrow", "dark", 410, 9000, 10, false}};
  const auto choice = choose(items, films, {0, 0, 100}, brief);
  REQUIRE(choice.ok());
  REQUIRE(choice->strips.size() == 2);
  CHECK(choice->strips[0].film == 1);
  CHECK(choice->strips[0].layout.placed.size() == 4);
  CHECK(choice->strips[1].layout.placed.size() == 1);
}

TEST_CASE("choose: random jobs on random stock lay each copy once and never more than is left") {
  std::mt19937 random(31);
  const auto between = [&](double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random);
  };
  int several = 0;
  for (int k = 0; k < 15; ++k) {
    CAPTURE(k);
    std::vector<Item> items;
    for (int i = 0; i < 4; ++i) {
      items.push_back({"piece",
                       box(0, 0, between(100, 600), between(100, 390)),
                       {0, 180},
                       false,
                       1 + static_cast<int>(random() % 3)});
    }
    std::vector<Film> films;
    for (int f = 0; f < 5; ++f) {
      const bool leftover = f < 3;
      films.push_back({"film", "dark", between(300, 900), between(200, leftover ? 900 : 3000),
                       leftover ? 0 : between(5, 20), leftover});
    }
    const Margins margins{3, 5, 100};
    const auto choice = choose(items, films, margins, [](double) {
      Effort effort;
      effort.moves = 500;
      return effort;
    });
    REQUIRE(choice.ok());
    if (choice->strips.empty()) continue;
    several += choice->strips.size() > 1 ? 1 : 0;
    std::vector<int> laid(items.size(), 0);
    std::set<std::size_t> used;
    for (const Offer& strip : choice->strips) {
      CHECK(used.insert(strip.film).second);
      CHECK(strip.layout.length_mm <= films[strip.film].length_mm);
      std::vector<Item> here = items;
      for (Item& item : here) item.copies = 0;
      for (const Placed& p : strip.layout.placed) ++laid[p.item], ++here[p.item].copies;
      CHECK(violations(here, {films[strip.film].width_mm, 3, 5}, strip.layout, 1e-3).empty());
    }
    for (std::size_t i = 0; i < items.size(); ++i) CHECK(laid[i] == items[i].copies);
  }
  CHECK(several > 2);
}

}  // namespace panecard::layout
