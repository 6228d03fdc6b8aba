#include <doctest/doctest.h>

#include "base/base.h"

using namespace panecard;

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
