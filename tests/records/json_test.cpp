#include <doctest/doctest.h>

#include <nlohmann/json.hpp>

#include "model/model.h"
#include "model/sample.h"
#include "records/records.h"

using namespace panecard;
using namespace panecard::records;
using nlohmann::json;

namespace {

// The fields that the result file promises, with their shapes.
void check_shape(const json& j, std::size_t points) {
  CHECK(j.at("format") == "panecard-outline");
  CHECK(j.at("version") == 1);
  CHECK(j.at("boundary").is_string());
  for (const char* key : {"outline_mm", "outline_px"}) {
    CAPTURE(key);
    REQUIRE(j.at(key).size() == points);
    for (const json& p : j.at(key)) {
      const bool two_numbers = p.size() == 2 && p[0].is_number() && p[1].is_number();
      CHECK(two_numbers);
    }
  }
  REQUIRE(j.at("outline_u95_mm").size() == points);
  REQUIRE(j.at("seen").size() == points);
  for (const char* key : {"long_mm", "long_u95_mm", "short_mm", "short_u95_mm"}) {
    CHECK(j.at("box").at(key).is_number());
  }
  for (const json& card : j.at("cards")) {
    CHECK(card.at("kind").is_string());
    CHECK(card.at("id").is_number_integer());
    CHECK(card.at("corners_px").is_array());
  }
  for (const json& warning : j.at("warnings")) {
    CHECK(warning.at("code").is_string());
    CHECK(warning.at("text").is_string());
  }
}

}  // namespace

TEST_CASE("the result file parses and has the promised fields, whatever the names hold") {
  for (const model::Measurement& m : {sample::slider(), sample::door(), sample::hostile(),
                                      sample::porthole(), model::Measurement{}}) {
    CAPTURE(m.photo_name.substr(0, 20));
    const json j = json::parse(to_json(m));
    check_shape(j, m.outline.points.size());
  }
}

TEST_CASE("numbers come back as they went in, to a tenth of a micrometre") {
  const model::Measurement m = sample::door();
  const json j = json::parse(to_json(m));
  for (std::size_t i = 0; i < m.outline.points.size(); ++i) {
    const json& p = j.at("outline_mm")[i];
    const double off = distance(m.outline.points[i], {p[0].get<double>(), p[1].get<double>()});
    CHECK(off < 1e-4);
    CHECK(std::abs(j.at("outline_u95_mm")[i].get<double>() - m.outline.u95_mm[i]) < 1e-4);
    CHECK(std::abs(j.at("outline_px")[i][0].get<double>() - m.outline.points_px[i].x) < 1e-3);
    CHECK(j.at("seen")[i].get<bool>() == m.outline.seen[i]);
  }
  CHECK(std::abs(j.at("box").at("long_mm").get<double>() - m.outline.long_mm.value) < 1e-4);
  CHECK(j.at("edges").size() == 4);
  CHECK(j.at("corners").size() == 4);
  CHECK(j.at("pieces").size() == 8);
  CHECK(j.at("pieces")[4].at("control").size() == 7);
  CHECK(j.at("warnings").size() == 2);
  CHECK(j.at("photo").at("width_px") == 4032);
}
