#include <array>
#include <cmath>
#include <nlohmann/json.hpp>

#include "formats/formats.h"
#include "formats/text.h"

namespace panecard::formats {
namespace {

using Json = nlohmann::json;

constexpr std::size_t kMostBytes = 8'000'000, kMostValues = 2'000'000, kMostPoints = 10'000;
constexpr std::size_t kMostSources = 300;
constexpr int kMostNesting = 12;
constexpr double kFurthest_mm = 1e5, kFurthest_px = 1e6;

struct Refusal {
  std::string what;
};

const Json& member(const Json& object, const char* key) {
  const auto found = object.find(key);
  if (found == object.end()) throw Refusal{std::string("\"") + key + "\" is missing"};
  return *found;
}

double number(const Json& value, const char* key, double least, double most) {
  const double v = value.is_number() ? value.get<double>() : NAN;
  if (!(v >= least && v <= most)) {
    throw Refusal{std::string("\"") + key + "\" holds something other than numbers from " +
                  to_text(least, 0) + " to " + to_text(most, 0)};
  }
  return v;
}

const Json& list(const Json& object, const char* key, std::size_t count) {
  const Json& value = member(object, key);
  if (!value.is_array()) throw Refusal{std::string("\"") + key + "\" is no list"};
  if (value.size() != count) {
    throw Refusal{std::string("\"") + key + "\" has " + std::to_string(value.size()) +
                  " entries, " + std::to_string(count) + " are needed"};
  }
  return value;
}

template <typename Point>
std::vector<Point> pairs(const Json& values, const char* key, double furthest) {
  std::vector<Point> out;
  for (const Json& p : values) {
    if (!p.is_array() || p.size() != 2) {
      throw Refusal{std::string("\"") + key + "\" holds something other than pairs"};
    }
    out.push_back({number(p[0], key, -furthest, furthest), number(p[1], key, -furthest, furthest)});
  }
  return out;
}

std::vector<double> lengths(const Json& values, const char* key) {
  std::vector<double> out;
  for (const Json& v : values) out.push_back(number(v, key, 0, kFurthest_mm));
  return out;
}

std::string text(const Json& object, const char* key, std::size_t most) {
  const auto found = object.find(key);
  return found != object.end() && found->is_string() ? clean(found->get<std::string>(), most)
                                                     : std::string();
}

PolygonMm outline(const Json& root) {
  const Json& values = member(root, "outline_mm");
  constexpr std::size_t kLeastPoints = 8;
  if (!values.is_array() || values.size() < kLeastPoints || values.size() > kMostPoints) {
    throw Refusal{"\"outline_mm\" is no list of " + std::to_string(kLeastPoints) + " to " +
                  std::to_string(kMostPoints) + " points"};
  }
  PolygonMm points = pairs<PointMm>(values, "outline_mm", kFurthest_mm);
  if (!(signed_area_mm2(points) > 1)) throw Refusal{"its outline does not run counter-clockwise"};
  if (crosses_itself(points)) throw Refusal{"its outline crosses itself"};
  return points;
}

/// Stations of the outline between which everything is linear in the length run.
struct Stations {
  std::vector<std::size_t> at;  ///< rising
  std::vector<std::size_t> before;
  std::vector<double> t;
};

Stations stations(const Json& values, const PolygonMm& points) {
  const std::size_t n = points.size();
  Stations out;
  for (const Json& v : values) {
    const double i = number(v, "at", 0, static_cast<double>(n - 1));
    const auto index = static_cast<std::size_t>(i);
    const bool rises = out.at.empty() ? index == 0 : index > out.at.back();
    if (i != std::floor(i) || !rises) throw Refusal{"\"at\" is not 0 and then rising"};
    out.at.push_back(index);
  }
  for (std::size_t k = 0; k < out.at.size(); ++k) {
    const std::size_t from = out.at[k], to = k + 1 < out.at.size() ? out.at[k + 1] : n;
    std::vector<double> run = {0};
    for (std::size_t i = from; i < to; ++i) {
      run.push_back(run.back() + distance(points[i], points[(i + 1) % n]));
    }
    for (std::size_t i = from; i < to; ++i) {
      out.before.push_back(k);
      out.t.push_back(run.back() > 0 ? run[i - from] / run.back() : 0);
    }
  }
  return out;
}

template <typename Value>
std::vector<Value> along(const std::vector<Value>& values, const Stations& s) {
  std::vector<Value> out;
  for (std::size_t i = 0; i < s.before.size(); ++i) {
    const std::size_t a = s.before[i], b = (a + 1) % values.size();
    out.push_back((1 - s.t[i]) * values[a] + s.t[i] * values[b]);
  }
  return out;
}

void read_covariance(const Json& covariance, Contour& contour) {
  if (!covariance.is_object()) throw Refusal{"\"covariance\" is no object"};
  const Json& at = member(covariance, "at");
  if (!at.is_array() || at.empty() || at.size() > contour.points.size()) {
    throw Refusal{"\"at\" is no list of outline points"};
  }
  const Stations s = stations(at, contour.points);
  const std::size_t count = s.at.size();
  contour.sigma_mm = along(lengths(list(covariance, "noise_sigma_mm", count), "noise_sigma_mm"), s);
  contour.correlation_mm =
      number(member(covariance, "noise_alike_mm"), "noise_alike_mm", 0, kFurthest_mm);
  const Json& sources = member(covariance, "sources");
  if (!sources.is_array() || sources.size() > kMostSources) {
    throw Refusal{"\"sources\" is no list of up to " + std::to_string(kMostSources)};
  }
  for (const Json& source : sources) {
    if (!source.is_object()) throw Refusal{"\"sources\" holds something other than objects"};
    contour.mode_names.push_back(text(source, "name", 60));
    contour.modes.push_back(
        along(pairs<PointMm>(list(source, "shift_mm", count), "shift_mm", kFurthest_mm), s));
  }
}

/// Deep or crowded files are refused while they are read, before they cost memory.
Json parsed(const std::string& bytes) {
  std::size_t values = 0;
  const auto watch = [&values](int depth, Json::parse_event_t, Json&) {
    if (depth > kMostNesting) throw Refusal{"it is nested too deeply"};
    if (++values > kMostValues) throw Refusal{"it holds too many values"};
    return true;
  };
  return Json::parse(bytes, watch);
}

StoredOutline stored(const std::string& bytes) {
  const Json root = parsed(bytes);
  if (!root.is_object() || text(root, "format", 40) != "panecard-outline") {
    throw Refusal{"its \"format\" is not \"panecard-outline\""};
  }
  const Json& version = member(root, "version");
  if (!version.is_number_integer() || version != 1) {
    throw Refusal{"its \"version\" is not 1, the only one this program reads"};
  }
  StoredOutline out;
  out.boundary = text(root, "boundary", 20);
  const std::array<const char*, 3> known = {"glass", "solid", "dots"};
  if (std::find(known.begin(), known.end(), out.boundary) == known.end()) {
    throw Refusal{"its \"boundary\" is neither glass, solid nor dots"};
  }
  Contour& contour = out.shape.contour;
  contour.points = outline(root);
  const std::size_t n = contour.points.size();
  out.shape.u95_mm = lengths(list(root, "outline_u95_mm", n), "outline_u95_mm");
  contour.points_px = pairs<PointPx>(list(root, "outline_px", n), "outline_px", kFurthest_px);
  out.shape.sources_known = root.contains("covariance") && !root["covariance"].is_null();
  if (out.shape.sources_known) read_covariance(root["covariance"], contour);
  const auto photo = root.find("photo");
  if (photo != root.end() && photo->is_object()) out.photo_name = text(*photo, "name", 120);
  return out;
}

}  // namespace

Result<StoredOutline> read_result(const std::string& path) {
  const auto bytes = read_file(path, kMostBytes);
  if (!bytes.ok()) return bytes.error();
  std::string why;
  try {
    return stored(bytes.value());
  } catch (const Refusal& refusal) {
    why = refusal.what;
  } catch (const nlohmann::json::exception&) {
    why = "it is not JSON from end to end";
  }
  return Error{Code::unreadable_file,
               "'" + path + "' is no result file: " + why + "; write it again with measure --json"};
}

}  // namespace panecard::formats
