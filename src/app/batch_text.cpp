#include "app/batch_text.h"

#include <algorithm>
#include <array>
#include <nlohmann/json.hpp>
#include <string_view>

#include "app/library_text.h"

namespace panecard::app {
namespace {

using Json = nlohmann::ordered_json;

std::string counted(std::size_t n, const std::string& one, const std::string& many) {
  return std::to_string(n) + " " + (n == 1 ? one : many);
}

const char* state_key(PhotoState state) {
  switch (state) {
    case PhotoState::measured:
      return "measured";
    case PhotoState::there_already:
      return "there_already";
    case PhotoState::duplicate:
      return "duplicate";
    case PhotoState::failed:
    case PhotoState::waiting:
      return "failed";
  }
  return "failed";
}

Json photo_json(const ListedPhoto& photo, const PhotoOutcome& outcome) {
  Json out = {{"name", photo.name}, {"state", state_key(outcome.state)}};
  if (!outcome.sha256.empty()) out["sha256"] = outcome.sha256;
  if (outcome.told_again) out["told_again"] = true;
  if (outcome.measurement > 0) out["measurement"] = outcome.measurement;
  if (!outcome.why.empty()) out["why"] = outcome.why;
  return out;
}

Json pane_json(const ListedPane& pane, const PaneOutcome& outcome) {
  Json out = {{"make", pane.vehicle.make},
              {"model", pane.vehicle.model},
              {"years", pane.vehicle.years},
              {"body", pane.vehicle.body},
              {"window", pane.pane.window},
              {"side", pane.pane.side},
              {"pane", outcome.pane > 0 ? Json(outcome.pane) : Json(nullptr)},
              {"together", outcome.together}};
  if (!outcome.not_together.empty()) out["not_together"] = outcome.not_together;
  out["photos"] = Json::array();
  for (std::size_t i = 0; i < pane.photos.size(); ++i) {
    out["photos"].push_back(photo_json(pane.photos[i], outcome.photos[i]));
  }
  out["warnings"] = Json::array();
  for (const Finding& f : outcome.doubts) {
    out["warnings"].push_back({{"code", f.code}, {"text", f.text}});
  }
  const std::string again = why_again(pane, outcome);
  if (!again.empty()) out["photograph_again"] = again;
  return out;
}

}  // namespace

std::string name_of(const ListedPane& pane) {
  const bool named = !pane.vehicle.make.empty() || !pane.vehicle.model.empty();
  if (!named || pane.pane.window.empty()) return pane.photos.front().name;
  return name_of(library::PaneLine{0, pane.vehicle, pane.pane});
}

std::string state_words(PhotoState state) {
  switch (state) {
    case PhotoState::measured:
      return "measured";
    case PhotoState::there_already:
      return "in the library already";
    case PhotoState::duplicate:
      return "a duplicate, skipped";
    case PhotoState::failed:
    case PhotoState::waiting:
      return "not measured";
  }
  return "not measured";
}

std::string without_path(const std::string& message, const std::string& path) {
  for (const char* before : {"", "cannot read "}) {
    const std::string start = before + ("'" + path + "': ");
    if (message.starts_with(start)) return message.substr(start.size());
  }
  return message;
}

BatchCounts counts_of(const BatchList& list, const std::vector<PaneOutcome>& outcomes) {
  BatchCounts counts;
  counts.panes = outcomes.size();
  counts.not_listed = list.not_listed;
  for (const PaneOutcome& pane : outcomes) {
    for (const PhotoOutcome& photo : pane.photos) {
      ++counts.photos;
      counts.measured += photo.state == PhotoState::measured ? 1 : 0;
      counts.there_already += photo.state == PhotoState::there_already ? 1 : 0;
      counts.duplicates += photo.state == PhotoState::duplicate ? 1 : 0;
      counts.failed += photo.state == PhotoState::failed ? 1 : 0;
    }
  }
  return counts;
}

std::vector<std::string> counts_words(const BatchCounts& c) {
  std::string line = counted(c.photos, "photo", "photos") + " of " +
                     counted(c.panes, "pane", "panes") + ": " + std::to_string(c.measured) +
                     " measured";
  if (c.there_already > 0) {
    line += ", " + std::to_string(c.there_already) + " in the library already";
  }
  if (c.duplicates > 0)
    line += ", " + counted(c.duplicates, "duplicate", "duplicates") + " skipped";
  if (c.failed > 0) line += ", " + std::to_string(c.failed) + " not measured";
  std::vector<std::string> lines = {line};
  if (c.not_listed > 0) {
    lines.push_back(counted(c.not_listed, "photo", "photos") +
                    " in the folder that the table does not name");
  }
  return lines;
}

std::string why_again(const ListedPane& pane, const PaneOutcome& outcome) {
  std::string why;
  for (std::size_t i = 0; i < outcome.photos.size(); ++i) {
    const PhotoOutcome& photo = outcome.photos[i];
    if (photo.measurement > 0) return {};
    const std::string name = outcome.photos.size() > 1 ? pane.photos[i].name + ": " : std::string();
    why += (why.empty() ? "" : "; ") + name + photo.why;
  }
  return why;
}

std::string why_look(const PaneOutcome& outcome) {
  // Neither is bettered by another photo of the pane.
  constexpr std::array<std::string_view, 3> kNotThePhoto = {"pane_is_bent", "lens_unknown",
                                                            "lens_of_another_phone"};
  std::string why;
  for (const Finding& f : outcome.doubts) {
    if (std::find(kNotThePhoto.begin(), kNotThePhoto.end(), f.code) != kNotThePhoto.end()) continue;
    why += (why.empty() ? "" : "; ") + f.text;
  }
  return why;
}

std::string batch_text(const BatchList& list, const std::vector<PaneOutcome>& outcomes) {
  std::string out, again, look;
  for (const std::string& line : counts_words(counts_of(list, outcomes))) out += line + "\n";
  for (std::size_t i = 0; i < outcomes.size(); ++i) {
    const std::string name = "  " + one_line(name_of(list.panes[i])) + ": ";
    const std::string why = one_line(why_again(list.panes[i], outcomes[i]));
    const std::string doubt = one_line(why_look(outcomes[i]));
    if (!why.empty()) again += name + why + "\n";
    if (!doubt.empty()) look += name + doubt + "\n";
  }
  if (!again.empty()) out += "photograph again:\n" + again;
  if (!look.empty()) out += "look before you cut:\n" + look;
  return out;
}

std::string batch_json(const BatchList& list, const std::vector<PaneOutcome>& outcomes,
                       const library::Stamp& stamp) {
  const BatchCounts c = counts_of(list, outcomes);
  Json out = {{"format", "panecard-batch"},
              {"version", 1},
              {"at", stamp.at},
              {"counts",
               {{"panes", c.panes},
                {"photos", c.photos},
                {"measured", c.measured},
                {"there_already", c.there_already},
                {"duplicates", c.duplicates},
                {"failed", c.failed},
                {"not_listed", c.not_listed}}},
              {"panes", Json::array()}};
  for (std::size_t i = 0; i < outcomes.size(); ++i) {
    out["panes"].push_back(pane_json(list.panes[i], outcomes[i]));
  }
  return out.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace panecard::app
