#include "records/json_reader.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "report/report.h"

namespace panecard::records::reader {
namespace {

std::string quoted(const char* key) { return std::string("\"") + key + "\""; }

constexpr std::size_t kMostValues = 2'000'000;
constexpr int kMostNesting = 12;
constexpr const char* kTooDeep = "it is nested too deeply";
constexpr const char* kTooMany = "it holds too many values";

/// Deep or crowded documents are refused while they are read.
Json bounded(const std::string& bytes) {
  std::size_t values = 0;
  const auto watch = [&values](int depth, Json::parse_event_t, Json&) {
    if (depth > kMostNesting) throw Refusal{kTooDeep};
    if (++values > kMostValues) throw Refusal{kTooMany};
    return true;
  };
  return Json::parse(bytes, watch);
}

/// Walks through a document and keeps nothing of it but why it is refused.
class Bounds : public nlohmann::json_sax<Json> {
 public:
  explicit Bounds(std::string_view bytes) : bytes_(bytes) {}
  const std::optional<std::string>& why() const { return why_; }

  bool null() override { return one_more(); }
  bool boolean(bool) override { return one_more(); }
  bool number_integer(number_integer_t) override { return one_more(); }
  bool number_unsigned(number_unsigned_t) override { return one_more(); }
  bool number_float(number_float_t, const string_t&) override { return one_more(); }
  bool string(string_t&) override { return one_more(); }
  bool binary(binary_t&) override { return one_more(); }
  bool key(string_t&) override { return one_more(); }
  bool start_object(std::size_t) override { return deeper(); }
  bool start_array(std::size_t) override { return deeper(); }
  bool end_object() override { return shallower(); }
  bool end_array() override { return shallower(); }
  bool parse_error(std::size_t byte, const std::string&,
                   const nlohmann::json::exception&) override {
    why_ = line_and_column(std::string(bytes_), byte) + ": this is where it stops being JSON";
    return false;
  }

 private:
  bool one_more() {
    if (++values_ > kMostValues) why_ = kTooMany;
    return !why_;
  }
  bool deeper() {
    if (++depth_ > kMostNesting) why_ = kTooDeep;
    return one_more();
  }
  bool shallower() {
    --depth_;
    return true;
  }

  std::string_view bytes_;
  std::size_t values_ = 0;
  int depth_ = 0;
  std::optional<std::string> why_;
};

}  // namespace

std::string format_of(const std::string& bytes) {
  const Json root = bounded(bytes);
  const std::string format = root.is_object() ? text(root, "format", 40) : std::string();
  if (format.empty()) throw Refusal{"it does not say what it is: its \"format\" is missing"};
  return format;
}

Json parsed(const std::string& bytes, const char* format, int version) {
  Json root = bounded(bytes);
  if (!root.is_object() || text(root, "format", 40) != format) {
    throw Refusal{"its \"format\" is not " + quoted(format)};
  }
  const Json& stated = member(root, "version");
  if (!stated.is_number_integer() || stated != version) {
    throw Refusal{"its \"version\" is not " + std::to_string(version) +
                  ", the only one this program reads"};
  }
  return root;
}

std::string line_and_column(const std::string& bytes, std::size_t byte) {
  const std::size_t at = std::min(byte > 0 ? byte - 1 : 0, bytes.size());
  const std::string_view before = std::string_view(bytes).substr(0, at);
  const auto line = 1 + std::count(before.begin(), before.end(), '\n');
  const std::size_t start = before.rfind('\n');
  const std::size_t column = start == std::string_view::npos ? at + 1 : at - start;
  return "line " + std::to_string(line) + ", column " + std::to_string(column);
}

const Json& member(const Json& object, const char* key) {
  const auto found = object.find(key);
  if (found == object.end()) throw Refusal{quoted(key) + " is missing"};
  return *found;
}

const Json& list(const Json& object, const char* key, std::size_t least, std::size_t most) {
  const Json& value = member(object, key);
  if (!value.is_array()) throw Refusal{quoted(key) + " is no list"};
  if (value.size() < least || value.size() > most) {
    const std::string wanted =
        least == most ? std::to_string(least) + " are needed"
                      : std::to_string(least) + " to " + std::to_string(most) + " are allowed";
    throw Refusal{quoted(key) + " has " + std::to_string(value.size()) + " entries, " + wanted};
  }
  return value;
}

double number(const Json& value, const char* key, double least, double most) {
  const double v = value.is_number() ? value.get<double>() : NAN;
  if (!(v >= least && v <= most)) {
    throw Refusal{quoted(key) + " holds something other than numbers from " + to_text(least, 0) +
                  " to " + to_text(most, 0)};
  }
  return v;
}

std::size_t index(const Json& value, const char* key, std::size_t count) {
  const double v = number(value, key, 0, static_cast<double>(count) - 1);
  if (v != std::floor(v)) throw Refusal{quoted(key) + " holds a number that is not whole"};
  return static_cast<std::size_t>(v);
}

int whole(const Json& value, const char* key, int least, int most) {
  const double v = number(value, key, least, most);
  if (v != std::floor(v)) throw Refusal{quoted(key) + " is not a whole number"};
  return static_cast<int>(v);
}

bool yes_or_no(const Json& object, const char* key) {
  const Json& value = member(object, key);
  if (!value.is_boolean()) throw Refusal{quoted(key) + " is neither true nor false"};
  return value.get<bool>();
}

std::string text(const Json& object, const char* key, std::size_t most) {
  const auto found = object.find(key);
  return found != object.end() && found->is_string() ? clean(found->get<std::string>(), most)
                                                     : std::string();
}

std::string boundary_in(const Json& root) {
  std::string out = text(root, "boundary", 20);
  const std::array<const char*, 3> known = {"glass", "solid", "dots"};
  if (std::find(known.begin(), known.end(), out) == known.end()) {
    throw Refusal{"its \"boundary\" is neither glass, solid nor dots"};
  }
  return out;
}

std::string along_in(const Json& object) {
  std::string out = text(object, "along", 20);
  if (out != "any" && out != "upright" && out != "level") {
    throw Refusal{"its \"along\" is neither any, upright nor level"};
  }
  return out;
}

std::vector<ArcVertex> arcs(const Json& values, const char* key, double furthest) {
  constexpr double kMostBulge = 100;
  std::vector<ArcVertex> out;
  out.reserve(values.size());
  for (const Json& v : values) {
    if (!v.is_array() || v.size() != 3) {
      throw Refusal{quoted(key) + " holds something other than x, y and bulge"};
    }
    out.push_back({{number(v[0], key, -furthest, furthest), number(v[1], key, -furthest, furthest)},
                   number(v[2], key, -kMostBulge, kMostBulge)});
  }
  return out;
}

std::vector<Finding> findings_in(const Json& root, const char* key) {
  constexpr std::size_t kMost = 200, kLongest = 1000;
  std::vector<Finding> out;
  for (const Json& value : list(root, key, 0, kMost)) {
    if (!value.is_object()) throw Refusal{quoted(key) + " holds something other than objects"};
    out.push_back({text(value, "code", 60), text(value, "text", kLongest)});
  }
  return out;
}

}  // namespace panecard::records::reader

namespace panecard::records {

std::optional<std::string> json_trouble(std::string_view bytes) {
  reader::Bounds bounds(bytes);
  nlohmann::json::sax_parse(bytes, &bounds);
  return bounds.why();
}

}  // namespace panecard::records
