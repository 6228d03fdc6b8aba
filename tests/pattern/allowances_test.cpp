// The file of allowance sets: the one we ship, fractions of an inch, and files gone wrong.
#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "pattern/panes.h"
#include "pattern/pattern.h"
#include "support/folder.h"

namespace panecard::pattern {

TEST_CASE("lengths read as a shop writes them") {
  struct Row {
    const char* text;
    double mm;
  };
  // 1 in = 25.4 mm exactly (ISO 80000-3:2006, from memory; NIST SP 811, app. B).
  const Row rows[] = {{"6", 6},           {"6mm", 6},         {" 6.5 mm ", 6.5},
                      {"-1", -1},         {"+2mm", 2},        {"0.6cm", 6},
                      {"1in", 25.4},      {"1/4in", 6.35},    {"0.25in", 6.35},
                      {"1/16\"", 1.5875}, {"1 1/2 in", 38.1}, {"1-1/2in", 38.1},
                      {"-1/8in", -3.175}, {"3 inches", 76.2}, {"0", 0}};
  for (const Row& row : rows) {
    CAPTURE(row.text);
    const auto mm = length_mm(row.text);
    CHECK(mm.has_value());
    if (mm) CHECK(std::abs(*mm - row.mm) <= 1e-12);
  }
  for (const char* wrong :
       {"", " ", "mm", "6 m", "1/4", "1/4mm", "1/0in", "5/4in", "1e3", "0x10", "nan", "inf", "--1",
        "1,5mm", "6mm6", "1/2/3in", "1 2in", "9999999/99999999in"}) {
    CAPTURE(wrong);
    CHECK(!length_mm(wrong).has_value());
  }
}

TEST_CASE("the sets that come with the program cut every kind of pane") {
  const auto sets = read_allowances(PANECARD_ALLOWANCES);
  if (!sets.ok()) FAIL(sets.error().detail);
  CHECK(sets->size() >= 4);
  for (const AllowanceSet& set : sets.value()) {
    CAPTURE(set.name);
    CHECK(set.note.find("common practice, check on your glass") == 0);
    for (const PolygonMm& outline : {test::rounded(900, 450, 30), test::rectangle(500, 400),
                                     PolygonMm{{0, 0}, {400, 0}, {380, 300}}}) {
      const auto piece = make_piece(test::pane_of(outline), set.request);
      if (!piece.ok()) CAPTURE(piece.error().detail);
      CHECK(piece.ok());
    }
  }
  const AllowanceSet& door = sets->front();
  CHECK(door.name == "roll-down");
  const Piece piece = test::cut_of(test::pane_of(test::rectangle(900, 450)), door.request);
  // By hand, with the U95 of 0.2 mm where it must cover: 3.2 + 900 + 3.2 and 12.2 + 450 - 1.
  CHECK(std::abs(piece.high.x - piece.low.x - 906.4) <= 0.01);
  CHECK(std::abs(piece.high.y - piece.low.y - 461.2) <= 0.01);
}

TEST_CASE("a file of allowances gone wrong says where and what") {
  const std::string good =
      R"({"format":"panecard-allowances","version":1,"sets":[{"name":"a","title":"b","note":"c",)";
  struct Row {
    std::string bytes, says;
  };
  const Row rows[] = {
      {"{\n  \"format\": \"panecard-allowances\",\n  \"version\" 1\n}", "line 3, column 13"},
      {"", "line 1, column 1"},
      {"{\"format\": \"panecard-allowances\",}", "line 1, column 34"},
      {"[1]", "not a JSON object"},
      {R"({"format":"other"})", "\"format\""},
      {R"({"format":"panecard-allowances","version":2})", "\"version\""},
      {good + R"("rest":1,"side":{}}]})", "set 1, \"a\": \"side\" is not known here"},
      {good + R"("rest":"1 yard"}]})", "\"rest\" is no length"},
      {good + R"("rest":1e9}]})", "\"rest\" is not between"},
      {good + R"("rest":1e999}]})", "out of range"},
      {good + R"("rest":1,"rest":2}]})", "\"rest\" is there twice"},
      {good + R"("rest":1,"sides":{"roof":1}}]})", "\"roof\" in \"sides\" is no side"},
      {good + R"("rest":1,"sides":[1]}]})", "\"sides\" is not a list of names"},
      {good + R"("rest":1,"corner_radius":-3}]})", "\"corner_radius\" is not between"},
      {good + R"("rest":1,"relief":{"nose":3}}]})", "\"nose\" in \"relief\" is no corner"},
      {good + R"("rest":1,"oversize":3}]})", "leaves no room"},
      {good + R"("rest":1,"cover":["roof"]}]})", "\"roof\" in \"cover\""},
      {good + R"("boundaries":["wood"],"rest":1}]})", "\"boundaries\" holds"},
      {good + R"("title2":"x"}]})", "\"title2\" is not known"},
      {good + R"("rest":1},{"name":"a","title":"b","note":"c","rest":1}]})",
       "set 2, \"a\": its name"},
      {good + "\"rest\":" + std::string(200, '[') + std::string(200, ']') + "}]}",
       "nested too deeply"},
      {std::string(2'000'000, ' '), "larger than the limit"},
  };
  const support::Folder folder;
  for (const Row& row : rows) {
    CAPTURE(row.says);
    const auto sets = read_allowances(folder.write("allowances.json", row.bytes));
    CHECK(!sets.ok());
    if (sets.ok()) continue;
    CAPTURE(sets.error().detail);
    CHECK(sets.error().detail.find(row.says) != std::string::npos);
    CHECK(sets.error().detail.find('\n') == std::string::npos);
  }
  CHECK(!read_allowances(folder / "none.json").ok());
}

}  // namespace panecard::pattern
