// Reads the file of ready-made allowance sets. It is edited by hand, so every error says where it
// is.
#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <nlohmann/json.hpp>
#include <set>

#include "pattern/pattern.h"

namespace panecard::pattern {
namespace {

using Json = nlohmann::ordered_json;

constexpr std::size_t kMostBytes = 1 << 20, kMostSets = 500, kMostValues = 100'000;
constexpr int kMostNesting = 8;
constexpr std::size_t kLongestName = 60, kLongestText = 400;

/// Why the file is no list of allowances; thrown inside this file only.
struct Refusal {
  std::string what;
};

/// Text from the file for use in a message: one line of limited length.
std::string shown(const std::string& text) {
  std::string out;
  for (const char c : text.substr(0, kLongestName)) {
    out += static_cast<unsigned char>(c) < ' ' || c == '\x7f' ? '?' : c;
  }
  return out;
}

std::string quoted(const std::string& text) { return "\"" + shown(text) + "\""; }

/// Parser callback that rejects input that is nested too deeply, too large or has duplicate keys.
class Watch {
 public:
  bool operator()(int depth, Json::parse_event_t event, const Json& value) {
    if (depth > kMostNesting) throw Refusal{"it is nested too deeply"};
    if (++values_ > kMostValues) throw Refusal{"it holds too many values"};
    if (event == Json::parse_event_t::object_start) keys_.emplace_back();
    if (event == Json::parse_event_t::object_end && !keys_.empty()) keys_.pop_back();
    if (event == Json::parse_event_t::key && !keys_.empty()) {
      const auto key = value.get<std::string>();
      if (!keys_.back().insert(key).second) throw Refusal{quoted(key) + " is there twice"};
    }
    return true;
  }

 private:
  std::size_t values_ = 0;
  std::vector<std::set<std::string>> keys_;
};

std::string line_and_column(const std::string& bytes, std::size_t byte) {
  const std::size_t at = std::min(byte > 0 ? byte - 1 : 0, bytes.size());
  const std::string before = bytes.substr(0, at);
  const auto line = 1 + std::count(before.begin(), before.end(), '\n');
  const std::size_t start = before.rfind('\n');
  const std::size_t column = start == std::string::npos ? at + 1 : at - start;
  return "line " + std::to_string(line) + ", column " + std::to_string(column);
}

void refuse_others(const Json& object, const std::vector<std::string>& known) {
  for (const auto& [key, value] : object.items()) {
    if (std::find(known.begin(), known.end(), key) != known.end()) continue;
    std::string all;
    for (const std::string& k : known) all.append(all.empty() ? "" : ", ").append(k);
    throw Refusal{quoted(key) + " is not known here; known are " + all};
  }
}

std::string text(const Json& object, const std::string& key, std::size_t most) {
  const auto found = object.find(key);
  if (found == object.end()) throw Refusal{quoted(key) + " is missing"};
  if (!found->is_string()) throw Refusal{quoted(key) + " is not a text"};
  auto value = found->get<std::string>();
  const bool one_line = std::none_of(value.begin(), value.end(), [](char c) {
    return static_cast<unsigned char>(c) < ' ' || c == '\x7f';
  });
  if (value.empty() || value.size() > most || !one_line) {
    throw Refusal{quoted(key) + " is not one line of 1 to " + std::to_string(most) + " characters"};
  }
  return value;
}

double length(const Json& value, const std::string& key, double least) {
  std::optional<double> mm;
  if (value.is_number()) mm = value.get<double>();
  if (value.is_string()) mm = length_mm(value.get<std::string>());
  if (!mm) {
    throw Refusal{quoted(key) + " is no length; write 6, \"6mm\", \"0.25in\" or \"1/4in\""};
  }
  if (!(*mm >= least && *mm <= kMostAllowance_mm)) {
    throw Refusal{quoted(key) + " is not between " + to_text(least, 0) + " mm and " +
                  to_text(kMostAllowance_mm, 0) + " mm"};
  }
  return *mm;
}

const Json* find(const Json& object, const char* key) {
  const auto found = object.find(key);
  return found == object.end() ? nullptr : &*found;
}

const Json& as_object(const Json& value, const std::string& key) {
  if (!value.is_object()) throw Refusal{quoted(key) + " is not a list of names with lengths"};
  return value;
}

bool is_side(const std::string& name) {
  constexpr std::array<const char*, 4> kPlaces = {"top", "bottom", "left", "right"};
  return std::find(kPlaces.begin(), kPlaces.end(), name) != kPlaces.end() ||
         (name.rfind("edge ", 0) == 0 && name.size() <= kLongestName);
}

bool is_corner(const std::string& name) {
  constexpr std::array<const char*, 4> kPlaces = {"top left", "top right", "bottom left",
                                                  "bottom right"};
  return std::find(kPlaces.begin(), kPlaces.end(), name) != kPlaces.end() ||
         (name.rfind("corner ", 0) == 0 && name.size() <= kLongestName);
}

/// One length for every corner, or one for each that is named; "rest" is every other.
std::vector<CornerCut> corner_cuts(const Json& value, const std::string& key) {
  if (!value.is_object()) return {{"", length(value, key, 0)}};
  std::vector<CornerCut> out;
  for (const auto& [name, mm] : value.items()) {
    if (name != "rest" && !is_corner(name)) {
      throw Refusal{quoted(name) + " in " + quoted(key) +
                    " is no corner; write \"top left\", \"corner A\" or \"rest\""};
    }
    out.push_back({name == "rest" ? "" : name, length(mm, name, 0)});
  }
  return out;
}

/// The sides to which U95 is added: their names, or true for all.
void read_cover(const Json& value, Request& request) {
  if (value.is_boolean()) {
    request.rest.cover = value.get<bool>();
    for (Allowance& a : request.sides) a.cover = request.rest.cover;
    if (request.oversize) request.oversize->cover = request.rest.cover;
    return;
  }
  if (!value.is_array()) throw Refusal{"\"cover\" is neither true, false nor a list of sides"};
  if (request.oversize) throw Refusal{"\"cover\" of an \"oversize\" is true or false"};
  for (const Json& name : value) {
    const std::string side = name.is_string() ? name.get<std::string>() : "";
    if (!is_side(side)) throw Refusal{quoted(side) + " in \"cover\" is no side"};
    const auto own = std::find_if(request.sides.begin(), request.sides.end(),
                                  [&](const Allowance& a) { return a.side == side; });
    if (own == request.sides.end()) {
      request.sides.push_back({side, request.rest.mm, true});
    } else {
      own->cover = true;
    }
  }
}

Request request_from(const Json& set) {
  Request request;
  const Json* const sides = find(set, "sides");
  const Json* const oversize = find(set, "oversize");
  if (oversize != nullptr) {
    if (sides != nullptr || find(set, "rest") != nullptr) {
      throw Refusal{"\"oversize\" leaves no room for \"sides\" and \"rest\""};
    }
    request.oversize = Oversize{length(*oversize, "oversize", 0), 0, false};
  } else {
    const Json* const rest = find(set, "rest");
    if (rest == nullptr) throw Refusal{"\"rest\" is missing, the allowance of all other sides"};
    request.rest.mm = length(*rest, "rest", -kMostAllowance_mm);
  }
  if (sides != nullptr) {
    for (const auto& [name, mm] : as_object(*sides, "sides").items()) {
      if (!is_side(name)) {
        throw Refusal{quoted(name) +
                      " in \"sides\" is no side; write top, bottom, left, right or "
                      "as drawn, \"edge 3\""};
      }
      request.sides.push_back({name, length(mm, name, -kMostAllowance_mm), false});
    }
  }
  if (const Json* const cover = find(set, "cover")) read_cover(*cover, request);
  if (const Json* const r = find(set, "corner_radius"))
    request.roundings = corner_cuts(*r, "corner_radius");
  if (const Json* const r = find(set, "relief")) request.reliefs = corner_cuts(*r, "relief");
  return request;
}

AllowanceSet set_from(const Json& set) {
  refuse_others(set, {"name", "title", "note", "boundaries", "rest", "sides", "cover",
                      "corner_radius", "relief", "oversize"});
  AllowanceSet out;
  out.name = text(set, "name", kLongestName);
  out.title = text(set, "title", kLongestText);
  out.note = text(set, "note", kLongestText);
  if (const Json* const boundaries = find(set, "boundaries")) {
    if (!boundaries->is_array()) throw Refusal{"\"boundaries\" is not a list"};
    for (const Json& b : *boundaries) {
      if (b != "glass" && b != "solid" && b != "dots") {
        throw Refusal{"\"boundaries\" holds something other than glass, solid and dots"};
      }
      out.boundaries.push_back(b.get<std::string>());
    }
  }
  out.request = request_from(set);
  return out;
}

std::vector<AllowanceSet> sets_from(const std::string& bytes) {
  const Json root = Json::parse(bytes, Watch{});
  if (!root.is_object()) throw Refusal{"it is not a JSON object"};
  refuse_others(root, {"format", "version", "sets"});
  if (text(root, "format", kLongestName) != "panecard-allowances") {
    throw Refusal{"its \"format\" is not \"panecard-allowances\""};
  }
  const Json* const version = find(root, "version");
  if (version == nullptr || !version->is_number_integer() || *version != 1) {
    throw Refusal{"its \"version\" is not 1, the only one this program reads"};
  }
  const Json* const sets = find(root, "sets");
  if (sets == nullptr || !sets->is_array() || sets->empty() || sets->size() > kMostSets) {
    throw Refusal{"\"sets\" is not a list of 1 to " + std::to_string(kMostSets) + " sets"};
  }
  std::vector<AllowanceSet> out;
  for (const Json& set : *sets) {
    const std::size_t number = out.size() + 1;
    std::string which = "set " + std::to_string(number);
    try {
      if (!set.is_object()) throw Refusal{"it is not an object"};
      const Json* const name = find(set, "name");
      if (name != nullptr && name->is_string()) which += ", " + quoted(name->get<std::string>());
      out.push_back(set_from(set));
      for (std::size_t k = 0; k + 1 < out.size(); ++k) {
        if (out[k].name == out.back().name)
          throw Refusal{"its name is that of set " + std::to_string(k + 1)};
      }
    } catch (const Refusal& refusal) {
      throw Refusal{which + ": " + refusal.what};
    }
  }
  return out;
}

/// A whole number without sign, below a million.
std::optional<double> digits(const std::string& s) {
  constexpr std::size_t kMost = 6;
  const bool plain = std::all_of(s.begin(), s.end(), [](char c) { return c >= '0' && c <= '9'; });
  if (s.empty() || s.size() > kMost || !plain) return std::nullopt;
  return std::stod(s);
}

std::string trimmed(const std::string& s) {
  const std::size_t first = s.find_first_not_of(' ');
  return first == std::string::npos ? "" : s.substr(first, s.find_last_not_of(' ') - first + 1);
}

}  // namespace

std::optional<double> length_mm(const std::string& given) {
  constexpr std::size_t kLongest = 40;
  constexpr double kMmPerInch = 25.4;
  std::string s = trimmed(given);
  if (s.empty() || s.size() > kLongest) return std::nullopt;
  const double sign = s[0] == '-' ? -1 : 1;
  if (s[0] == '-' || s[0] == '+') s = trimmed(s.substr(1));
  const std::size_t end = s.find_last_of("0123456789.");
  if (end == std::string::npos || s[0] == '-') return std::nullopt;
  const std::string unit = trimmed(s.substr(end + 1));
  s = s.substr(0, end + 1);
  const bool inches = unit == "in" || unit == "inch" || unit == "inches" || unit == "\"";
  if (!inches && !unit.empty() && unit != "mm" && unit != "cm") return std::nullopt;
  const double mm_per_unit = inches ? kMmPerInch : unit == "cm" ? 10 : 1;
  const std::size_t slash = s.find('/');
  if (slash == std::string::npos) {
    double value = 0;
    const auto read =
        std::from_chars(s.data(), s.data() + s.size(), value, std::chars_format::fixed);
    if (read.ec != std::errc() || read.ptr != s.data() + s.size() || !std::isfinite(value)) {
      return std::nullopt;
    }
    return sign * value * mm_per_unit;
  }
  if (!inches) return std::nullopt;  // a fraction of a millimetre is a slip of the pen
  const std::size_t gap = s.find_first_of(" -");
  const bool mixed = gap != std::string::npos && gap < slash;
  const auto whole = mixed ? digits(s.substr(0, gap)) : std::optional<double>(0);
  const auto above = digits(trimmed(s.substr(mixed ? gap + 1 : 0, slash - (mixed ? gap + 1 : 0))));
  const auto below = digits(trimmed(s.substr(slash + 1)));
  if (!whole || !above || !below || !(*below > 0) || *above >= *below) return std::nullopt;
  return sign * (*whole + *above / *below) * mm_per_unit;
}

Result<std::vector<AllowanceSet>> read_allowances(const std::string& path) {
  const auto bytes = read_file(path, kMostBytes);
  if (!bytes.ok()) return bytes.error();
  std::string why;
  try {
    return sets_from(bytes.value());
  } catch (const Refusal& refusal) {
    why = refusal.what;
  } catch (const nlohmann::json::parse_error& error) {
    why = line_and_column(bytes.value(), error.byte) + ": this is where it stops being JSON";
  } catch (const nlohmann::json::exception&) {
    why = "a number in it is out of range";
  }
  return Error{Code::unreadable_file, "'" + path + "' is no list of allowances: " + why};
}

}  // namespace panecard::pattern
