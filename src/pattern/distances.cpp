#include "pattern/distances.h"

#include <algorithm>
#include <cmath>

namespace panecard::pattern {
namespace {

std::string quoted_names(const std::vector<Side>& stretches) {
  std::vector<std::string> seen;
  std::string text;
  const auto say = [&](const std::string& name) {
    if (std::find(seen.begin(), seen.end(), name) != seen.end()) return;
    seen.push_back(name);
    text += (text.empty() ? "'" : ", '") + name + "'";
  };
  for (const Side& s : stretches) say(s.name);
  for (const Side& s : stretches) say(s.where);
  return text;
}

Error unknown(const std::string& what, const std::string& name, const std::vector<Side>& known) {
  const std::string there = known.empty() ? "it has none" : "it has " + quoted_names(known);
  return {Code::bad_usage, "this pane has no " + what + " '" + name.substr(0, 60) + "'; " + there};
}

bool in_range(double mm) { return std::isfinite(mm) && std::abs(mm) <= kMostAllowance_mm; }

Error out_of_range(const std::string& what, double mm) {
  return {Code::bad_usage, what + " of " + to_text(mm, 2) + " mm is beyond 1 m; check its unit"};
}

/// A triangle has no top: a ready-made set must still serve it.
bool is_place(const std::string& name) {
  for (const char* side : {"top", "bottom", "left", "right"}) {
    if (name == side) return true;
  }
  for (const char* corner : {"top left", "top right", "bottom left", "bottom right"}) {
    if (name == corner) return true;
  }
  return false;
}

bool named(const Side& s, const std::string& name) { return s.name == name || s.where == name; }

/// The last one that names the stretch, by its own name if any does.
template <typename Wanted, typename NameOf>
const Wanted* wanted_for(const Side& s, const std::vector<Wanted>& all, const NameOf& name_of) {
  const Wanted* found = nullptr;
  for (const Wanted& w : all) {
    if (s.where == name_of(w)) found = &w;
  }
  for (const Wanted& w : all) {
    if (s.name == name_of(w)) found = &w;
  }
  return found;
}

double largest_u95(const Pane& pane, const Side& side) {
  if (pane.u95_mm.empty()) return 0;
  double most = pane.u95_mm[side.last];
  std::size_t i = side.first;
  do {
    most = std::max(most, pane.u95_mm[i]);
    i = (i + 1) % pane.outline.size();
  } while (i != side.last);
  return most;
}

}  // namespace

Result<std::vector<SideDistance>> distances(const Pane& pane, const Request& request) {
  const std::vector<Side>& sides = pane.division.sides;
  if (!in_range(request.rest.mm)) return out_of_range("an allowance", request.rest.mm);
  for (const Allowance& a : request.sides) {
    if (!in_range(a.mm))
      return out_of_range("the allowance of '" + a.side.substr(0, 60) + "'", a.mm);
    const bool there =
        std::any_of(sides.begin(), sides.end(), [&](const Side& s) { return named(s, a.side); });
    if (!there && !is_place(a.side)) return unknown("side", a.side, sides);
  }
  std::vector<SideDistance> out;
  for (const Side& side : sides) {
    const Allowance* own =
        wanted_for(side, request.sides, [](const Allowance& a) { return a.side; });
    const Allowance& a = own != nullptr ? *own : request.rest;
    const double added = a.cover ? largest_u95(pane, side) : 0;
    if (!in_range(a.mm + added))
      return out_of_range("the allowance of '" + side.name + "'", a.mm + added);
    out.push_back({a.mm + added, added});
  }
  return out;
}

Result<std::vector<double>> per_corner(const Division& division, const std::vector<CornerCut>& cuts,
                                       const std::string& what) {
  double every = 0;
  for (const CornerCut& cut : cuts) {
    if (!in_range(cut.mm) || cut.mm < 0) {
      return Error{Code::bad_usage,
                   what + " of " + to_text(cut.mm, 2) + " mm is not between 0 and 1 m"};
    }
    if (cut.corner.empty()) every = cut.mm;
    const bool there = std::any_of(division.corners.begin(), division.corners.end(),
                                   [&](const Side& s) { return named(s, cut.corner); });
    if (!cut.corner.empty() && !there && !is_place(cut.corner))
      return unknown("corner", cut.corner, division.corners);
  }
  std::vector<double> out;
  for (const Side& corner : division.corners) {
    const CornerCut* own = wanted_for(corner, cuts, [](const CornerCut& c) { return c.corner; });
    out.push_back(own != nullptr ? own->mm : every);
  }
  return out;
}

std::vector<Finding> u95_findings(const Pane& pane, const std::vector<SideDistance>& distances,
                                  bool asked) {
  if (!asked) return {};
  if (pane.u95_mm.empty()) {
    return {{"u95_not_known",
             "the outline's uncertainty is not known, so nothing was added for it; "
             "check the cut line on the glass"}};
  }
  std::string added;
  for (std::size_t k = 0; k < distances.size(); ++k) {
    if (!(distances[k].u95_added_mm > 0)) continue;
    added.append(added.empty() ? "" : ", ").append(pane.division.sides[k].name);
    added.append(" ").append(to_text(distances[k].u95_added_mm, 2)).append(" mm");
  }
  if (added.empty()) return {};
  return {
      {"u95_added",
       "added so that the piece surely covers, the outline's largest U95 on each side: " + added}};
}

std::vector<Finding> absent_findings(const Division& division, const Request& request) {
  std::vector<std::string> asked;
  for (const Allowance& a : request.sides) asked.push_back(a.side);
  for (const CornerCut& c : request.roundings) asked.push_back(c.corner);
  for (const CornerCut& c : request.reliefs) asked.push_back(c.corner);
  std::vector<Finding> out;
  for (const std::string& name : asked) {
    const auto is_it = [&](const Side& s) { return named(s, name); };
    if (name.empty() || std::any_of(division.sides.begin(), division.sides.end(), is_it) ||
        std::any_of(division.corners.begin(), division.corners.end(), is_it)) {
      continue;
    }
    out.push_back(
        {"side_absent", "this pane has no '" + name + "'; what was asked there is left out"});
  }
  return out;
}

}  // namespace panecard::pattern
