#include "formats/text.h"

#include <doctest/doctest.h>

using namespace panecard;
using namespace panecard::formats;

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

TEST_CASE("damaged, invisible and line-breaking characters leave no trace of themselves") {
  struct Row {
    const char* source;
    std::string text, cleaned;
  };
  const Row rows[] = {
      {"ASCII stays", "pane-7.jpg", "pane-7.jpg"},
      {"Unicode 15 table 3-7: C0 80 is overlong", "a\xc0\x80z", "a\ufffd\ufffdz"},
      {"table 3-7: ED A0 80 is a surrogate", "\xed\xa0\x80", "\ufffd\ufffd\ufffd"},
      {"table 3-7: F4 90 is beyond the last plane", "\xf4\x90\x80\x80", "\ufffd\ufffd\ufffd\ufffd"},
      {"cut in the middle", "\xe2\x82", "\ufffd\ufffd"},
      {"valid two, three and four bytes", "\xc3\xa9\xe2\x82\xac\xf0\x9f\x98\x80",
       "\xc3\xa9\xe2\x82\xac\xf0\x9f\x98\x80"},
      {"line breaks and escapes", "a\r\nb\x1b[31m", "a  b [31m"},
      {"right-to-left override", "a\u202ez", "a\ufffdz"},
      {"line separator", "a\u2028z", "a z"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.source);
    CHECK(clean(row.text, 100) == row.cleaned);
  }
  CHECK(clean(std::string(1000, 'x'), 10) == "xxxxxxxxx\u2026");
  CHECK(clean("0123456789", 10) == "0123456789");
}

TEST_CASE("DXF text is one line of printable ASCII") {
  CHECK(ascii("a\n0\nEOF\xc3\xa9\x7f", 100) == "a 0 EOF? ");
  CHECK(ascii(std::string(500, 'x'), 20).size() == 20);
}

TEST_CASE("lines break at spaces and none is too long") {
  const auto fits = [](const std::string& s) { return count_characters(s) <= 10; };
  CHECK(wrap("one two three four", 9, fits) == std::vector<std::string>{"one two", "three four"});
  CHECK(wrap("abcdefghijklmno", 9, fits) == std::vector<std::string>{"abcdefghij", "klmno"});
  CHECK(wrap("a b c d e f g h i j k l", 1, fits) == std::vector<std::string>{"a b c d\u2026"});
  CHECK(wrap("", 9, fits).empty());
}
