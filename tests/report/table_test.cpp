#include <doctest/doctest.h>

#include <algorithm>
#include <sstream>

#include "model/model.h"
#include "model/sample.h"
#include "report/report.h"

using namespace panecard;
using namespace panecard::report;

TEST_CASE("the table says what was measured, with every figure's uncertainty") {
  struct Row {
    Units units;
    const char* wanted;
  };
  // Inches by hand: 486 / 25.4 = 19.13386 = 19 1/8 (19.125); 412 / 25.4 = 16.22047 = 16 1/4.
  const Row rows[] = {
      {Units::mm, "sample-pane.jpg: edge of the visible glass\n"},
      {Units::mm, "box, long side     486.00 \u00b1 0.62    mm\n"},
      {Units::mm, "box, short side    412.00 \u00b1 0.48    mm\n"},
      {Units::mm, "corner A, radius    14.00 \u00b1 0.58    mm   at 90.00 \u00b1 0.12 deg\n"},
      {Units::mm, "diagonal 2         625.68 \u00b1 0.80    mm\n"},
      {Units::mm, "100 % of the boundary was seen."},
      {Units::inch, "19.134 \u00b1 0.024"},
      {Units::inch, "19 1/8"},
      {Units::inch, "16 1/4"},
      {Units::inch, "ft\u00b2"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.wanted);
    const std::string table = to_table(sample::slider(), row.units);
    CHECK(table.find(row.wanted) != std::string::npos);
  }
}

TEST_CASE("warnings and stretches that were not seen are in the table") {
  model::Measurement m = sample::door();
  m.outline.pieces[2].seen = false;
  const std::string table = to_table(m, Units::mm);
  CHECK(table.find("91.0 % of the boundary was seen") != std::string::npos);
  CHECK(table.find("! Only one card lies on the pane") != std::string::npos);
  CHECK(table.find("[one_card]") != std::string::npos);
  CHECK(table.find("radius 3118 \u00b1 63   not seen\n") != std::string::npos);
}

TEST_CASE("an edge is called round only as far as its radius is known") {
  struct Row {
    double radius_mm, radius_u95, sagitta_mm, sagitta_u95;
    const char* wanted;
  };
  // 383 mm long: the sagitta is 383^2 / 8 R = 0.237 mm for R = 77469 mm, and as uncertain as R.
  const Row rows[] = {{3118, 63, 5.88, 0.12, "   radius 3118 \u00b1 63\n"},
                      {77469, 54945, 0.237, 0.168, "   arched by 0.24 \u00b1 0.17\n"},
                      {77469, 90000, 0.237, 0.275, "   straight within 0.51\n"}};
  for (const Row& row : rows) {
    CAPTURE(row.wanted);
    model::Measurement m = sample::door();
    outline::Piece& edge = m.outline.pieces[2];
    edge.radius = {row.radius_mm, row.radius_u95};
    edge.sagitta_mm = {row.sagitta_mm, row.sagitta_u95};
    CHECK(to_table(m, Units::mm).find(row.wanted) != std::string::npos);
  }
}

TEST_CASE("hostile names cannot reach the terminal") {
  const std::string table = to_table(sample::hostile(), Units::mm);
  CHECK(std::none_of(table.begin(), table.end(), [](char c) {
    return (static_cast<unsigned char>(c) < 0x20 && c != '\n') || c == 0x7f;
  }));
  std::istringstream lines(table);
  for (std::string line; std::getline(lines, line);) CHECK(line.size() < 1300);
  CHECK(table.find("\u202e") == std::string::npos);
}
