#include <doctest/doctest.h>
#include <sqlite3.h>

#include <algorithm>
#include <cmath>

#include "check/panes.h"
#include "library/library.h"
#include "library/results.h"
#include "library/texts.h"
#include "support/folder.h"

namespace panecard::library {

using support::Folder;

namespace {

const Stamp kStamp{"t", "w", "r"};

Library with_vehicles(const Folder& folder) {
  auto library = Library::open(folder / "l", {Access::create, 5000});
  REQUIRE(library.ok());
  struct Row {
    const char *make, *model, *years, *window, *side, *notes;
  };
  const Row rows[] = {{"Norden", "Kuma", "2017-2022", "front door", "left", ""},
                      {"Norden", "Kuma", "2017-2022", "rear door", "left", "thick seal"},
                      {"Norden", "Kuma Kombi", "2012", "quarter", "right", ""},
                      {"T\xC3\xBCrmer", "Brise", "2019", "front door", "right", ""},
                      {"Vesna", "Ohara 'X'", "1998 - 2003", "slider", "", "100% \"flat\""}};
  unsigned number = 0;
  for (const Row& r : rows) {
    REQUIRE(library.value()
                .add({r.make, r.model, r.years, "", ""}, {r.window, r.side, r.notes},
                     test::result(++number), {}, kStamp, false)
                .ok());
  }
  return std::move(library).value();
}

std::vector<std::int64_t> found(const Library& library, const std::string& text) {
  const auto lines = library.find(text, 20);
  REQUIRE(lines.ok());
  std::vector<std::int64_t> out;
  for (const PaneLine& line : lines.value()) out.push_back(line.pane);
  return out;
}

PolygonMm mirrored(PolygonMm points) {
  for (PointMm& p : points) p.x = -p.x;
  std::reverse(points.begin(), points.end());
  return points;
}

/// Each point off by normal noise along its normal, alike over some points.
check::Shape noisy(PolygonMm points, double sigma_mm, std::mt19937& random) {
  std::normal_distribution<double> normal(0, sigma_mm);
  const PolygonMm normals = outward_normals(points);
  for (std::size_t i = 0; i < points.size(); ++i)
    points[i] = points[i] + normal(random) * normals[i];
  check::Shape shape;
  shape.contour.points = std::move(points);
  shape.contour.correlation_length_mm = 2;
  shape.u95_mm.assign(shape.contour.points.size(), 2 * sigma_mm);
  shape.sources_known = false;
  return shape;
}

}  // namespace

TEST_CASE("words are found by their start, in any order, case and accent, and with typing errors") {
  const Folder folder;
  const Library library = with_vehicles(folder);
  struct Row {
    const char* asked;
    std::vector<std::int64_t> panes;
  };
  const Row rows[] = {{"door 2019", {1, 2, 4}},
                      {"2019 DOO", {1, 2, 4}},
                      {"kuma", {1, 2, 3}},
                      {"turmer", {4}},
                      {"T\xC3\x9CRMER", {4}},
                      {"kuma fornt", {1}},
                      {"nroden rear", {2}},
                      {"quartr", {3}},
                      {"ohara x", {5}},
                      {"2001", {5}},
                      {"2004", {}},
                      {"sldier", {5}},
                      {"nothing of this", {}},
                      {"100 flat", {5}},
                      {"kombi", {3}},
                      {"", {}},
                      {"\"*^-", {}}};
  for (const Row& row : rows) {
    CAPTURE(row.asked);
    CHECK(found(library, row.asked) == row.panes);
  }
}

TEST_CASE("no text of a search is taken for a command") {
  const Folder folder;
  const Library library = with_vehicles(folder);
  for (const std::string text :
       {"'; DROP TABLE pane; --", "door\" OR \"x", "NEAR(door 2019)", "words:door", "door AND", "*",
        "^door", "(((", "\\", "%", "\xff\xff"}) {
    CAPTURE(text);
    const auto lines = library.find(text, 5);
    CHECK((lines.ok() || lines.error().code == Code::bad_usage));
  }
  CHECK(library.panes()->size() == 5);
}

TEST_CASE(
    "typing errors are counted as Damerau did: one each for a slip, a gap, a letter, a swap") {
  CHECK(typing_errors("kuma", "kuma", 2) == 0);
  CHECK(typing_errors("kuma", "kumo", 2) == 1);
  CHECK(typing_errors("kuma", "kma", 2) == 1);
  CHECK(typing_errors("kuma", "kumaa", 2) == 1);
  CHECK(typing_errors("kuma", "kmua", 2) == 1);
  CHECK(typing_errors("kuma", "akum", 2) == 2);
  CHECK(typing_errors("kitten", "sitting", 3) == 3);  // Levenshtein's textbook example
  CHECK(typing_errors("kitten", "sitting", 2) == 3);  // more than asked for
  CHECK(typing_errors_in_start("fornt", "frontier", 1) == 1);
}

TEST_CASE("a pane is found by its shape: turned, mirrored, measured with noise, and judged") {
  const Folder folder;
  auto library = Library::open(folder / "l", {Access::create, 5000});
  REQUIRE(library.ok());
  constexpr unsigned kPanes = 40;
  for (unsigned i = 0; i < kPanes; ++i) {
    REQUIRE(library.value()
                .add({"m", std::to_string(i), "", "", ""}, {"w", "", ""},
                     test::result(check::test::shape_of(check::test::invented(i))), {}, kStamp,
                     false)
                .ok());
  }
  std::mt19937 random(4);
  int first = 0, same = 0, others_same = 0;
  for (unsigned i = 0; i < kPanes; ++i) {
    const bool mirror = i % 2 == 1;
    const PolygonMm pane = resample(check::test::invented(i), 3);
    const PolygonMm lying = check::test::turned(mirror ? mirrored(pane) : pane, 0.3 + i, {99, 7});
    const auto alike = library.value().find_like(noisy(lying, 0.2, random), 3);
    REQUIRE(alike.ok());
    REQUIRE(alike->size() == 3);
    const Alike& best = alike.value()[0];
    first += best.line.pane == i + 1 && best.mirrored == mirror ? 1 : 0;
    same += best.within_u95 ? 1 : 0;
    others_same += alike.value()[1].within_u95 ? 1 : 0;
    CHECK(best.gap_mm < 1.2);  // six sigma, and the chords of 3 mm
    CHECK(std::abs(best.rms_mm - 0.2) < 0.08);
  }
  CHECK(first == kPanes);
  CHECK(same >= 37);  // 95 of 100, binomial
  CHECK(others_same == 0);
}

TEST_CASE("a search sees what was changed a moment ago, by whatever program") {
  const Folder folder;
  Library library = with_vehicles(folder);
  const Library other = Library::open(folder / "l", {Access::read, 5000}).value();
  const check::Shape shape = check::test::shape_of(check::test::invented(77));
  CHECK(other.find_like(shape, 1)->at(0).gap_mm > 1);
  REQUIRE(
      library.add({"New", "Car", "", "", ""}, {"w", "", ""}, test::result(77), {}, kStamp, false)
          .ok());
  CHECK(other.find_like(shape, 1)->at(0).gap_mm < 0.1);
  CHECK(found(other, "new car") == std::vector<std::int64_t>{6});
  REQUIRE(library.change_vehicle(4, {"Other", "Car", "", "", ""}, kStamp).ok());
  CHECK(found(other, "new car") == std::vector<std::int64_t>{6});
}

TEST_CASE("a library of the first layout is brought up to date when it is opened for writing") {
  const Folder folder;
  { with_vehicles(folder); }
  sqlite3* db = nullptr;
  REQUIRE(sqlite3_open((folder / "l").c_str(), &db) == SQLITE_OK);
  REQUIRE(sqlite3_exec(db,
                       "DROP TABLE pane_words; DROP TABLE word; DROP TABLE pane_shape;"
                       "DROP TABLE photo_failed;"
                       "PRAGMA user_version = 1",
                       nullptr, nullptr, nullptr) == SQLITE_OK);
  sqlite3_close(db);
  const auto reading = Library::open(folder / "l", {Access::read, 50});
  REQUIRE(!reading.ok());
  CHECK(reading.error().detail.find("older layout") != std::string::npos);
  auto writing = Library::open(folder / "l", {Access::write, 50});
  REQUIRE(writing.ok());
  CHECK(found(writing.value(), "door 2019") == std::vector<std::int64_t>{1, 2, 4});
  CHECK(writing.value().verify()->empty());
}

}  // namespace panecard::library
