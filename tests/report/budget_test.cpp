#include <doctest/doctest.h>

#include <nlohmann/json.hpp>

#include "model/model.h"
#include "model/sample.h"
#include "records/records.h"
#include "report/report.h"

using namespace panecard;
using namespace panecard::report;

namespace {

/// 3-4-5 and 5-12-13: the sums of squares are checked by hand.
model::Measurement slider_with_parts() {
  model::Measurement m = sample::slider();
  m.outline.sources = {"print scale", "lens", "fit"};
  m.outline.long_mm.u95 = 5;
  m.outline.long_mm.parts = {3, 4, 0};
  m.outline.short_mm.u95 = 13;
  m.outline.short_mm.parts = {5, 12, 0};
  return m;
}

}  // namespace

TEST_CASE("the budget lists each length's sources, largest first, with their share") {
  const std::string text = to_budget(slider_with_parts(), Units::mm);
  CHECK(text.find("box, long side  486.0 \u00b1 5.0 mm\n"
                  "    lens                        4.0   64 %\n"
                  "    print scale                 3.0   36 %\n") != std::string::npos);
  CHECK(text.find("    lens                         12   85 %\n") != std::string::npos);
  CHECK(text.find("edge 4") != std::string::npos);
  const std::string inches = to_budget(slider_with_parts(), Units::inch);
  CHECK(inches.find("lens                       0.16") != std::string::npos);  // 4 / 25.4
}

TEST_CASE("the advice names the action that takes most away, and what would be left") {
  model::Measurement m = slider_with_parts();
  const auto lens = most_helpful(m.outline);
  REQUIRE(lens.has_value());
  CHECK(lens->sources == std::vector<std::string>{"lens"});
  CHECK(std::abs(lens->long_u95_mm - 3) < 1e-9);
  CHECK(std::abs(lens->short_u95_mm - 5) < 1e-9);
  CHECK(say_advice(m.outline, *lens, Units::mm).find("\u00b1 3.0 mm instead of \u00b1 5.0") !=
        std::string::npos);

  m.outline.sources = {"print scale", "fit", "fit"};  // what no action acts on is never advised
  REQUIRE(most_helpful(m.outline).has_value());
  CHECK(most_helpful(m.outline)->sources == std::vector<std::string>{"print scale"});
  m.outline.sources = {"fit", "fit", "fit"};
  CHECK(!most_helpful(m.outline).has_value());

  // Two sources with one remedy weigh together: 4 and 4 of 6 against a single 5.
  m.outline.sources = {"bridge", "edge noise", "lens"};
  m.outline.long_mm.parts = m.outline.short_mm.parts = {4, 4, 5};
  REQUIRE(most_helpful(m.outline).has_value());
  CHECK(most_helpful(m.outline)->sources == std::vector<std::string>{"edge noise", "bridge"});
}

TEST_CASE("the result file carries budget and advice") {
  const auto j = nlohmann::json::parse(records::to_json(slider_with_parts()));
  CHECK(j.at("budget")[0].at("name") == "box, long side");
  CHECK(j.at("budget")[0].at("parts_mm").at("lens") == 4.0);
  CHECK(j.at("budget").size() == 2 + 2 + 4);
  CHECK(j.at("advice").at("sources")[0] == "lens");
  CHECK(j.at("advice").at("short_u95_mm") == 5.0);
}
