#include "app/piece_request.h"

#include <algorithm>
#include <filesystem>
#include <optional>

#include "app/app.h"
#include "app/data_places.h"

namespace panecard::app {
namespace {

using pattern::Allowance;
using pattern::AllowanceSet;
using pattern::CornerCut;
using pattern::Request;

Error wrong(const std::string& option, const std::string& text, const std::string& say) {
  return {Code::bad_usage, option + " '" + text + "': " + say};
}

struct Named {
  std::string name;  ///< empty: none was given
  double mm = 0;
};

/// "bottom=12mm", or a length alone where that is allowed.
Result<Named> named_length(const std::string& option, const std::string& text, bool needs_name) {
  const std::size_t equals = text.rfind('=');
  const bool has_name = equals != std::string::npos && equals > 0;
  const auto mm = pattern::length_mm(has_name ? text.substr(equals + 1) : text);
  if (!mm || (needs_name && !has_name)) {
    return wrong(option, text,
                 needs_name ? "give a side and a length, as bottom=12mm or \"edge 3=-1/16in\""
                            : "give a length, as 3mm or 1/8in, or a corner's, as \"top left=3mm\"");
  }
  return Named{has_name ? text.substr(0, equals) : "", *mm};
}

Result<double> positive_length(const std::string& option, const std::string& text) {
  const auto mm = pattern::length_mm(text);
  if (mm && *mm >= 0 && *mm <= pattern::kMostAllowance_mm) return *mm;
  return wrong(option, text, "give a length from 0 to 1000 mm, as 2mm or 1/16in");
}

Allowance& of_side(Request& request, const std::string& side) {
  for (Allowance& a : request.sides) {
    if (a.side == side) return a;
  }
  request.sides.push_back({side, request.rest.mm, request.rest.cover});
  return request.sides.back();
}

Outcome add_allowances(const PieceWords& words, Request& request) {
  std::vector<Named> own;
  for (const std::string& text : words.allow) {
    const auto named = named_length("--allow", text, true);
    if (!named.ok()) return named.error();
    for (const Named& other : own) {
      if (other.name == named->name) return wrong("--allow", text, "this side was given before");
    }
    own.push_back(named.value());
  }
  // "all" goes before a ready-made set, whatever the order; a side of its own goes before "all".
  for (const Named& a : own) {
    if (a.name != "all") continue;
    request.rest.mm = a.mm;
    for (Allowance& side : request.sides) side.mm = a.mm;
  }
  for (const Named& a : own) {
    if (a.name != "all") of_side(request, a.name).mm = a.mm;
  }
  for (const std::string& side : words.cover) {
    if (side != "all") {
      of_side(request, side).cover = true;
      continue;
    }
    request.rest.cover = true;
    for (Allowance& a : request.sides) a.cover = true;
  }
  return std::nullopt;
}

Outcome add_oversize(const PieceWords& words, Request& request) {
  if (!words.oversize.empty()) {
    const auto mm = positive_length("--oversize", words.oversize);
    if (!mm.ok()) return mm.error();
    if (!request.oversize) request.oversize = pattern::Oversize{};
    request.oversize->mm = mm.value();
  }
  if (!request.oversize) return std::nullopt;
  if (!words.allow.empty() || !words.inside_dots.empty() || !words.over_dots.empty()) {
    return Error{Code::bad_usage,
                 "an oversize rectangle has the same allowance on every side; leave out either it "
                 "or the allowances of the sides"};
  }
  for (const std::string& side : words.cover) {
    if (side != "all") {
      return wrong("--cover", side, "an oversize rectangle covers on every side or none: say all");
    }
    request.oversize->cover = true;
  }
  return std::nullopt;
}

Outcome add_corners(const std::string& option, const std::vector<std::string>& words,
                    std::vector<CornerCut>& cuts) {
  std::vector<CornerCut> own;
  for (const std::string& text : words) {
    const auto named = named_length(option, text, false);
    if (!named.ok()) return named.error();
    for (const CornerCut& other : own) {
      if (other.corner == named->name) return wrong(option, text, "this corner was given before");
    }
    own.push_back({named->name, named->mm});
    if (named->name.empty()) cuts.clear();  // for all of them: a set's own no longer count
  }
  for (const CornerCut& cut : own) {
    cuts.erase(std::remove_if(cuts.begin(), cuts.end(),
                              [&](const CornerCut& c) { return c.corner == cut.corner; }),
               cuts.end());
    cuts.push_back(cut);
  }
  return std::nullopt;
}

/// The two ways along a band of dots: each starts from the limit that it keeps to.
Outcome add_dots(const PieceWords& words, const std::string& boundary, Request& request) {
  if (words.inside_dots.empty() && words.over_dots.empty()) return std::nullopt;
  if (!words.inside_dots.empty() && !words.over_dots.empty()) {
    return Error{Code::bad_usage, "--inside-dots and --over-dots exclude each other"};
  }
  const bool inside = !words.inside_dots.empty();
  const std::string option = inside ? "--inside-dots" : "--over-dots";
  const std::string needed = inside ? "dots" : "solid";
  if (boundary != needed) {
    return Error{Code::bad_usage, option + " needs an outline along the " +
                                      (inside ? "dots" : "solid band") + ", this one is '" +
                                      boundary + "'; measure again with --boundary " + needed};
  }
  const auto mm = positive_length(option, inside ? words.inside_dots : words.over_dots);
  if (!mm.ok()) return mm.error();
  request.rest.mm = inside ? -mm.value() : mm.value();
  for (Allowance& a : request.sides) a.mm = request.rest.mm;
  return std::nullopt;
}

Result<AllowanceSet> chosen_set(const PieceWords& words, const std::string& boundary) {
  const auto sets = allowance_sets(words.sets_file);
  if (!sets.ok()) return sets.error();
  const auto set = std::find_if(sets.value().begin(), sets.value().end(),
                                [&](const AllowanceSet& s) { return s.name == words.set; });
  if (set == sets.value().end()) {
    std::string all;
    for (const AllowanceSet& s : sets.value()) all.append(all.empty() ? "" : ", ").append(s.name);
    return wrong("--set", words.set, "no such set; there are " + all);
  }
  const auto& meant = set->boundaries;
  if (!meant.empty() && std::find(meant.begin(), meant.end(), boundary) == meant.end()) {
    std::string kinds;
    for (const std::string& b : meant) kinds.append(kinds.empty() ? "" : " or ").append(b);
    return wrong("--set", words.set,
                 "it is meant for an outline along " + kinds + ", this one is '" + boundary +
                     "'; measure again with --boundary, or give the allowances one by one");
  }
  return *set;
}

}  // namespace

Result<std::vector<AllowanceSet>> allowance_sets(const std::string& file) {
  if (!file.empty()) return pattern::read_allowances(file);
  const std::vector<std::string> places = data_places("allowances.json");
  for (const std::string& place : places) {
    std::error_code ignored;
    if (std::filesystem::exists(place, ignored)) return pattern::read_allowances(place);
  }
  return Error{Code::unreadable_file,
               "no list of ready-made allowances; put one at '" + places.front() + "'"};
}

std::string list_of_sets(const std::vector<AllowanceSet>& sets) {
  std::string out;
  for (const AllowanceSet& s : sets) {
    out += s.name + "\n  " + s.title + "\n  " + s.note + "\n";
  }
  return out;
}

Result<PieceWish> piece_wish(const PieceWords& words, const std::string& boundary) {
  PieceWish wish;
  if (!words.set.empty()) {
    auto set = chosen_set(words, boundary);
    if (!set.ok()) return set.error();
    wish = {std::move(set.value().request), set->title, set->note};
  } else if (!words.sets_file.empty()) {
    return Error{Code::bad_usage, "--sets needs --set and a name, or --list-sets"};
  }
  Request& request = wish.request;
  if (auto failed = add_oversize(words, request)) return *failed;
  if (auto failed = add_dots(words, boundary, request)) return *failed;
  if (!request.oversize) {
    if (auto failed = add_allowances(words, request)) return *failed;
  }
  if (auto failed = add_corners("--round", words.round, request.roundings)) return *failed;
  if (auto failed = add_corners("--relief", words.relief, request.reliefs)) return *failed;
  return wish;
}

}  // namespace panecard::app
