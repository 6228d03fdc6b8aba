// The whole room: open instances with published results, and jobs at random, each checked by GEOS.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <fstream>
#include <nlohmann/json.hpp>

#include "layout/layout.h"
#include "layout/problem.h"
#include "shapes.h"

namespace panecard::layout {
namespace {

std::vector<Item> instance(const std::string& name, Strip& strip) {
  const auto json = nlohmann::json::parse(std::ifstream(PANECARD_TEST_DATA "/" + name + ".json"));
  strip.width_mm = std::round(json.at("strip_height").get<double>());
  std::vector<Item> items;
  for (const auto& entry : json.at("items")) {
    Item item;
    item.name = entry.at("id").dump();
    item.copies = entry.at("demand").get<int>();
    item.turns_deg = entry.at("allowed_orientations").get<std::vector<double>>();
    for (const auto& p : entry.at("shape").at("data")) {
      item.shape.push_back({p.at(0).get<double>(), p.at(1).get<double>()});
    }
    item.shape.pop_back();
    items.push_back(item);
  }
  return items;
}

double area_of(const std::vector<Item>& items) {
  double sum = 0;
  for (const Item& item : items) sum += item.copies * signed_area_mm2(item.shape);
  return sum;
}

struct Row {
  const char* source;
  const char* name;
  std::int64_t moves;
  double least_density;  // in per cent: what greedy placement with restarts reaches in a minute
};

// ESICUP data sets (CC0). Densities to beat: libnest2d 5.0.0 with true no-fit polygons, best of
// restarts for 60 s; dighe2 is a jigsaw whose optimum is known.
#ifdef __SANITIZE_ADDRESS__
constexpr Row kRows[] = {{"ESICUP dighe2, optimum 100", "dighe2", 20000, 99.995}};
#else
constexpr Row kRows[] = {{"ESICUP fu", "fu", 20000, 86.55},
                         {"ESICUP albano", "albano", 20000, 83.47},
                         {"ESICUP dighe2, optimum 100", "dighe2", 20000, 99.995}};
#endif

/// Many more for once: PANECARD_JOBS=1000.
int jobs() {
  const char* wanted = std::getenv("PANECARD_JOBS");
  return wanted != nullptr ? std::atoi(wanted) : 10 * kRepeats;
}

std::vector<Item> random_items(SplitMix64& random) {
  std::vector<Item> items(1 + random.below(6));
  for (Item& item : items) {
    item.name = "piece";
    item.shape = random_star(random, 5 + static_cast<int>(random.below(20)),
                             random.between(80, 300), random.between(0.3, 1));
    item.copies = 1 + static_cast<int>(random.below(3));
    item.turns_deg =
        random.unit() < 0.5 ? std::vector<double>{90, 270} : std::vector<double>{0, 90, 180, 270};
    item.may_mirror = random.unit() < 0.3;
  }
  return items;
}

}  // namespace

TEST_CASE("pack: denser than greedy placement on open instances, and without a fault") {
  for (const Row& row : kRows) {
    CAPTURE(row.source);
    Strip strip;
    const auto items = instance(row.name, strip);
    Effort effort;
    effort.moves = row.moves;
    const auto layout = pack(items, strip, effort);
    INFO((layout.ok() ? "" : layout.error().detail));
    REQUIRE(layout.ok());
    CHECK(violations(items, strip, layout.value(), 1e-6 * strip.width_mm).empty());
    CHECK(100 * area_of(items) / (strip.width_mm * layout->length_mm) >= row.least_density);
  }
}

TEST_CASE("pack: the same seed and moves give the same layout") {
  Strip strip;
  const auto items = instance("fu", strip);
  Effort effort;
  effort.moves = 3000;
  const auto a = pack(items, strip, effort), b = pack(items, strip, effort);
  REQUIRE(a.ok());
  REQUIRE(b.ok());
  CHECK(a->length_mm == b->length_mm);
  for (std::size_t k = 0; k < a->placed.size(); ++k) {
    CHECK(a->placed[k].shift.x == b->placed[k].shift.x);
    CHECK(a->placed[k].turn_deg == b->placed[k].turn_deg);
  }
}

TEST_CASE("pack: of 200 pieces a layout without a fault is told before the search") {
  SplitMix64 random(9);
  Item item{"pane", random_star(random, 60, 300, 0.8), {0, 90, 180, 270}, true, 200};
  const Strip strip{1520, 4, 5};
  Effort effort;
  std::vector<Layout> told;
  int asked = 0, asked_before = -1;
  effort.spent = [&] {
    ++asked;
    return 1.0;  // no time is left
  };
  effort.shorter = [&](const Layout& layout) {
    if (told.empty()) asked_before = asked;
    told.push_back(layout);
  };
  const auto layout = pack({item}, strip, effort);
  REQUIRE(layout.ok());
  // The search asks for the time before every move and every no-fit polygon: 200 pieces that it
  // moved once would have made it ask 200 times.
  CHECK(asked_before == 0);
  CHECK(asked < 20);
  REQUIRE_FALSE(told.empty());
  CHECK(violations({item}, strip, told.front(), 1e-3).empty());
  CHECK(told.size() == 1);
  CHECK(layout->length_mm == told.front().length_mm);
}

TEST_CASE("pack: random jobs never overlap, leave the film or break the gap") {
  SplitMix64 random(7);
  int laid = 0;
  const int wanted = jobs();
  for (int k = 0; k < wanted; ++k) {
    CAPTURE(k);
    const std::vector<Item> items = random_items(random);
    const Strip strip{random.between(700, 1600), random.unit() < 0.3 ? 0 : random.between(1, 10),
                      random.unit() < 0.5 ? 0 : random.between(1, 10)};
    Effort effort;
    effort.seed = random.bits();
    effort.moves = 100;
    const auto layout = pack(items, strip, effort);
    INFO((layout.ok() ? "" : layout.error().detail));
    REQUIRE(layout.ok());
    CHECK(violations(items, strip, layout.value(), 1e-3).empty());
    ++laid;
  }
  CHECK(laid == wanted);
}

TEST_CASE("faults: a layout that overlaps, breaks the gap or leaves the film is refused") {
  const PolygonMm square = {{0, 0}, {100, 0}, {100, 100}, {0, 100}};
  const std::vector<Item> items = {{"a", square, {0}, false, 2}};
  const Strip strip{200, 5, 0};
  struct Case {
    const char* what;
    PointMm second;
    std::size_t count;
  };
  constexpr Case kCases[] = {{"apart", {105, 0}, 0},          {"a gap of 4", {104, 0}, 1},
                             {"overlap of 1", {99, 0}, 1},    {"one in the other", {0, 0}, 1},
                             {"beyond the end", {110, 0}, 1}, {"beyond the edge", {0, 106}, 1}};
  for (const Case& c : kCases) {
    CAPTURE(c.what);
    Layout layout;
    layout.length_mm = 205;
    layout.placed = {{0, 0, false, {0, 0}}, {0, 0, false, c.second}};
    CHECK(violations(items, strip, layout, 1e-6).size() == c.count);
  }
  Layout missing;
  missing.length_mm = 205;
  missing.placed = {{0, 0, false, {0, 0}}};
  CHECK(violations(items, strip, missing, 1e-6).size() == 1);
}

TEST_CASE("pack: a piece too wide for the film says by how much") {
  const PolygonMm square = {{0, 0}, {500, 0}, {500, 500}, {0, 500}};
  const auto layout = pack({{"rear", square, {0, 90}, false, 1}}, {480, 0, 5}, {});
  REQUIRE_FALSE(layout.ok());
  CHECK(layout.error().code == Code::does_not_fit);
  CHECK(layout.error().detail.find("30 mm") != std::string::npos);
}

}  // namespace panecard::layout
