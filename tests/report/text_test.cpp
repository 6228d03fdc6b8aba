#include <doctest/doctest.h>

#include <cmath>

#include "report/report.h"

using namespace panecard;
using namespace panecard::report;

TEST_CASE("a value is rounded where its uncertainty has two significant digits") {
  struct Row {
    const char* source;
    double value, u95;
    int most_decimals;
    const char *said, *said_u95;
  };
  // JCGM 100, 7.2.6: "the uncertainty to at most two significant digits, the value to match".
  const Row rows[] = {
      {"JCGM 100 7.2.2: 100.021 47 g with 0.35 mg, in g", 100.02147, 0.00035, 6, "100.02147",
       "0.00035"},
      {"JCGM 100 7.2.6: 10.057 62 ohm with 27 mohm is 10.058", 10.05762, 0.027, 6, "10.058",
       "0.027"},
      {"no finer than asked", 486.1264, 0.0321, 2, "486.13", "0.03"},
      {"ten and more", 1234.5, 14.2, 2, "1234", "14"},
      {"hundreds stay whole", 1234.5, 142.4, 2, "1234", "142"},
      {"no uncertainty known", 12.34, 0, 2, "12.3", "0.0"},
      {"not a number", std::nan(""), 0.1, 2, "?", "0.10"},
      {"no minus zero", -0.001, 0.5, 2, "0.00", "0.50"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.source);
    const Said said = say({row.value, row.u95}, row.most_decimals);
    CHECK(said.value == row.said);
    CHECK(said.u95 == row.said_u95);
  }
}

TEST_CASE("inches are millimetres over 25.4 exactly") {
  CHECK(say_length({254, 0.508}, Units::inch).both() == "10.000 \u00b1 0.020");
  CHECK(say_area({304.8 * 304.8, 929.0304}, Units::inch).both() == "1.000 \u00b1 0.010");
}
