#include "app/page/asked.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <string_view>

namespace panecard::app::page {
namespace {

using nlohmann::json;

constexpr std::size_t kMostEdits = 300, kMostPoints = 200, kLongestText = 24;

Error wrong(const std::string& what) { return {Code::bad_usage, what + "; load the page again"}; }

struct Choice {
  std::string_view name;
  std::array<std::string_view, 3> values;
};
constexpr std::array<Choice, 3> kChoices = {{{"boundary", {"glass", "solid", "dots"}},
                                             {"seen_from", {"outside", "inside", ""}},
                                             {"bow_axis", {"level", "upright", ""}}}};
constexpr std::array<std::string_view, 4> kTexts = {"plain", "glass_thickness", "card_thickness",
                                                    "bow"};

bool is_plain(const std::string& text) {
  return text.size() <= kLongestText &&
         std::all_of(text.begin(), text.end(), [](char c) { return c >= ' ' && c <= '~'; });
}

Result<json> options_in(const json& said) {
  json out = json::object();
  if (!said.is_object()) return wrong("the options are not understood");
  for (const auto& item : said.items()) {
    const std::string& name = item.key();
    if (!item.value().is_string()) return wrong("the options are not understood");
    const std::string text = item.value();
    if (text.empty()) continue;
    const auto* choice = std::find_if(kChoices.begin(), kChoices.end(),
                                      [&](const Choice& c) { return c.name == name; });
    const bool known = choice != kChoices.end()
                           ? std::count(choice->values.begin(), choice->values.end(), text) > 0
                           : std::count(kTexts.begin(), kTexts.end(), name) > 0 && is_plain(text);
    if (!known) return wrong("there is no such option");
    out[name] = text;
  }
  return out;
}

bool is_pixel(const json& value) {
  constexpr double kFurthest = 100'000;
  return value.is_number() && std::abs(value.get<double>()) < kFurthest;
}

Result<json> edit_in(const json& said) {
  const Error error = wrong("a correction is not understood");
  if (!said.is_object()) return error;
  const json kind = said.value("kind", json());
  if (kind != "through" && kind != "bridge") return error;
  const json points = said.value("points", json());
  if (!points.is_array() || points.empty() || points.size() > kMostPoints) return error;
  json out = {{"kind", kind}, {"points", json::array()}};
  for (const json& p : points) {
    if (!p.is_array() || p.size() != 2 || !is_pixel(p[0]) || !is_pixel(p[1])) return error;
    out["points"].push_back({p[0].get<double>(), p[1].get<double>()});
  }
  const json reach = said.value("reach_px", json(0));
  if (!is_pixel(reach)) return error;
  out["reach_px"] = std::abs(reach.get<double>());
  return out;
}

}  // namespace

Result<json> checked_draft(const std::string& body) {
  const json said = json::parse(body, nullptr, false);
  if (!said.is_object()) return wrong("the request is not understood");
  auto options = options_in(said.value("options", json::object()));
  if (!options.ok()) return options.error();
  const json edits = said.value("edits", json::array());
  if (!edits.is_array() || edits.size() > kMostEdits) return wrong("too many corrections");
  json out = {{"options", std::move(options).value()},
              {"edits", json::array()},
              {"trial", said.value("trial", json(false)) == true}};
  for (const json& edit : edits) {
    auto one = edit_in(edit);
    if (!one.ok()) return one.error();
    out["edits"].push_back(std::move(one).value());
  }
  return out;
}

}  // namespace panecard::app::page
