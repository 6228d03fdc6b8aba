#include "library/keep.h"

#include <doctest/doctest.h>

#include <cmath>

#include "check/panes.h"
#include "library/coder.h"
#include "library/library.h"
#include "library/pack.h"
#include "library/results.h"

namespace panecard::library {

TEST_CASE("whole numbers of any size come back from the range coder") {
  std::mt19937_64 random(5);
  std::vector<std::int64_t> values = {0, 1, -1, (1LL << 30) + 1, -(1LL << 30), 2, -2, 0, 0, 3};
  for (int i = 0; i < 20'000; ++i) {
    const auto size = static_cast<std::int64_t>(random() >> (34 + random() % 30));
    values.push_back(random() % 2 == 0 ? size : -size);
  }
  BitWriter writer;
  NumberModel out;
  for (std::int64_t v : values) out.code(writer, v);
  const std::string bytes = writer.finish();
  BitReader reader(bytes);
  NumberModel in;
  std::size_t same = 0;
  for (const std::int64_t v : values) {
    std::int64_t read = 99;
    in.code(reader, read);
    same += read == v ? 1 : 0;
  }
  CHECK(same == values.size());
  CHECK(reader.good());
}

TEST_CASE("what is kept comes back exactly, packed or as a result file") {
  for (unsigned number = 0; number < 8; ++number) {
    CAPTURE(number);
    const auto kept = keep(test::result(number), "r");
    REQUIRE(kept.ok());
    const auto unpacked = unpack(pack(kept.value()));
    REQUIRE(unpacked.ok());
    CHECK(unpacked.value() == kept.value());
    const std::string json = to_result_json(kept.value());
    const auto again = keep(json, "again");
    REQUIRE(again.ok());
    CHECK(again.value() == kept.value());
    CHECK(to_result_json(again.value()) == json);
    const auto outline = unpack_outline(pack(kept.value()));
    REQUIRE(outline.ok());
    CHECK(outline->size() == kept->outline.size());
  }
}

TEST_CASE("what is kept is the measurement within the grid, and no more certain than it") {
  for (unsigned number = 0; number < 8; ++number) {
    CAPTURE(number);
    const check::Shape shape = check::test::shape_of(check::test::invented(number));
    const auto kept = keep(test::result(shape), "r");
    REQUIRE(kept.ok());
    const check::Shape back = shape_of(kept.value());
    const std::vector<double> before = u95_normal_mm(shape.contour);
    const std::vector<double> after = u95_normal_mm(back.contour);
    double furthest = 0, least = 10, mean = 0;
    for (std::size_t i = 0; i < before.size(); ++i) {
      furthest = std::max(furthest, distance(shape.contour.points[i], back.contour.points[i]));
      least = std::min(least, after[i] / before[i]);
      mean += after[i] / before[i] / static_cast<double>(before.size());
      CHECK(back.u95_mm[i] >= shape.u95_mm[i] - 1e-4);  // the result file has 0.1 um
      CHECK(back.u95_mm[i] <= shape.u95_mm[i] + kGridU95_mm + 1e-4);
    }
    CHECK(furthest <= 0.00085);  // half the grid in x and y, and the file's own rounding
    CHECK(least > 0.995);
    CHECK(mean < 1.08);
  }
}

TEST_CASE("the plus-minus of the box's sides survives the packing within a twentieth") {
  // Lengths use the correlation between points, which is what the packing could lose.
  const check::Shape shape = check::test::shape_of(check::test::invented(3));
  const auto kept = keep(test::result(shape), "r");
  REQUIRE(kept.ok());
  const auto before = check::fit_rectangle(shape);
  const auto after = check::fit_rectangle(shape_of(kept.value()));
  REQUIRE(before.ok());
  REQUIRE(after.ok());
  for (const check::Measurand m :
       {check::width_bottom, check::height_left, check::diagonal_rising}) {
    const double ratio = after->operator[](m).size.u95 / before->operator[](m).size.u95;
    CHECK(ratio > 0.97);
    CHECK(ratio < 1.05);
    CHECK(after->operator[](m).main_source == before->operator[](m).main_source);
  }
}

TEST_CASE("a pattern takes less than 4 KB") {
  for (unsigned number = 0; number < 8; ++number) {
    const auto kept = keep(test::result(number), "r");
    REQUIRE(kept.ok());
    CHECK(pack(kept.value()).size() < 4000);
  }
}

TEST_CASE("damaged records are refused, and none crashes the reader") {
  const auto kept = keep(test::result(1), "r");
  REQUIRE(kept.ok());
  const std::string good = pack(kept.value());
  std::mt19937 random(8);
  int refused = 0;
  constexpr int kTries = 300;
  for (int i = 0; i < kTries; ++i) {
    std::string bad = good;
    bad[random() % bad.size()] ^= static_cast<char>(1U << (random() % 8));
    refused += unpack(bad).ok() ? 0 : 1;
  }
  CHECK(refused == kTries);  // CRC-32 finds every single bit
  for (std::size_t size = 0; size < good.size(); size += 37) {
    CHECK(!unpack(good.substr(0, size)).ok());
    CHECK(!unpack_outline(good.substr(0, size)).ok());
  }
}

TEST_CASE("a result file that is none is refused with its name") {
  for (const char* text : {"", "{", "[]", "{\"format\": \"panecard-outline\"}", "\xff\xfe"}) {
    const auto kept = keep(text, "some.json");
    REQUIRE(!kept.ok());
    CHECK(kept.error().detail.find("some.json") != std::string::npos);
  }
}

}  // namespace panecard::library
