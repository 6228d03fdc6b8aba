#include <algorithm>
#include <cmath>

#include "records/json_reader.h"
#include "records/records.h"
#include "report/report.h"

namespace panecard::records {
namespace {

using reader::index;
using reader::Json;
using reader::list;
using reader::member;
using reader::number;
using reader::pairs;
using reader::Refusal;
using reader::text;

constexpr std::size_t kMostBytes = 8'000'000, kMostPoints = 10'000;
constexpr std::size_t kMostSources = 300, kMostPieces = 1000;
constexpr double kFurthest_mm = 1e5, kFurthest_px = 1e6;

PolygonMm outline(const Json& root) {
  const Json& values = member(root, "outline_mm");
  constexpr std::size_t kLeastPoints = 8;
  if (!values.is_array() || values.size() < kLeastPoints || values.size() > kMostPoints) {
    throw Refusal{"\"outline_mm\" is no list of " + std::to_string(kLeastPoints) + " to " +
                  std::to_string(kMostPoints) + " points"};
  }
  PolygonMm points = pairs<PointMm>(values, "outline_mm", kFurthest_mm);
  if (!(signed_area_mm2(points) > 1)) throw Refusal{"its outline does not run counter-clockwise"};
  if (self_intersects(points)) throw Refusal{"its outline crosses itself"};
  return points;
}

std::vector<double> lengths(const Json& values, const char* key) {
  std::vector<double> out;
  for (const Json& v : values) out.push_back(number(v, key, 0, kFurthest_mm));
  return out;
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
  contour.sigma_mm =
      along(lengths(list(covariance, "noise_sigma_mm", count, count), "noise_sigma_mm"), s);
  contour.correlation_length_mm =
      number(member(covariance, "noise_alike_mm"), "noise_alike_mm", 0, kFurthest_mm);
  const Json& sources = member(covariance, "sources");
  if (!sources.is_array() || sources.size() > kMostSources) {
    throw Refusal{"\"sources\" is no list of up to " + std::to_string(kMostSources)};
  }
  for (const Json& source : sources) {
    if (!source.is_object()) throw Refusal{"\"sources\" holds something other than objects"};
    contour.mode_sources.emplace_back(text(source, "name", 60));
    contour.modes.push_back(
        along(pairs<PointMm>(list(source, "shift_mm", count, count), "shift_mm", kFurthest_mm), s));
  }
}

/// Where the outline's pieces begin and end and what they are called; nothing else of them.
std::vector<outline::Piece> read_pieces(const Json& root, std::size_t points) {
  std::vector<outline::Piece> out;
  if (!root.contains("pieces")) return out;
  for (const Json& value : list(root, "pieces", 0, kMostPieces)) {
    if (!value.is_object()) throw Refusal{"\"pieces\" holds something other than objects"};
    outline::Piece piece;
    piece.first = index(member(value, "first"), "first", points);
    piece.last = index(member(value, "last"), "last", points);
    piece.name = text(value, "name", 60);
    piece.corner = reader::yes_or_no(value, "corner");
    out.push_back(std::move(piece));
  }
  return out;
}

std::optional<double> bent_probability(const Json& root) {
  const auto face = root.find("face");
  if (face == root.end() || !face->is_object()) return std::nullopt;
  return number(member(*face, "bent_probability"), "bent_probability", 0, 1);
}

StoredOutline stored(const std::string& bytes) {
  const Json root = reader::parsed(bytes, "panecard-outline");
  StoredOutline out;
  out.boundary = reader::boundary_in(root);
  Contour& contour = out.shape.contour;
  contour.points = outline(root);
  const std::size_t n = contour.points.size();
  out.shape.u95_mm = lengths(list(root, "outline_u95_mm", n, n), "outline_u95_mm");
  contour.points_px = pairs<PointPx>(list(root, "outline_px", n, n), "outline_px", kFurthest_px);
  out.shape.sources_known = root.contains("covariance") && !root["covariance"].is_null();
  if (out.shape.sources_known) read_covariance(root["covariance"], contour);
  out.pieces = read_pieces(root, n);
  out.bent_probability = bent_probability(root);
  const auto photo = root.find("photo");
  if (photo != root.end() && photo->is_object()) out.photo_name = text(*photo, "name", 120);
  return out;
}

outline::Dimension dimension(const Json& object, const char* value, const char* u95) {
  return {number(member(object, value), value, 0, kFurthest_mm),
          number(member(object, u95), u95, 0, kFurthest_mm)};
}

/// Lengths of edges and radii of corners, from the lists that name the pieces they are of.
void read_sizes(const Json& root, std::vector<outline::Piece>& pieces) {
  const auto each = [&](const char* key, const auto& use) {
    if (!root.contains(key)) return;
    for (const Json& value : list(root, key, 0, kMostPieces)) {
      if (!value.is_object()) {
        throw Refusal{std::string("\"") + key + "\" holds something other than objects"};
      }
      const std::string name = text(value, "name", 60);
      const bool corners = std::string(key) == "corners";
      for (outline::Piece& p : pieces) {
        if (p.name == name && p.corner == corners) use(p, value);
      }
    }
  };
  each("edges", [](outline::Piece& p, const Json& v) {
    p.length_mm = dimension(v, "length_mm", "length_u95_mm");
    p.seen = reader::yes_or_no(v, "seen");
  });
  each("corners", [](outline::Piece& p, const Json& v) {
    p.radius = dimension(v, "radius_mm", "radius_u95_mm");
    p.seen = reader::yes_or_no(v, "seen");
  });
}

void read_box(const Json& root, outline::Outline& o) {
  o.box = min_area_box(o.points);
  const auto box = root.find("box");
  if (box != root.end() && box->is_object()) {
    o.long_mm = dimension(*box, "long_mm", "long_u95_mm");
    o.short_mm = dimension(*box, "short_mm", "short_u95_mm");
    return;
  }
  const double worst = *std::max_element(o.u95_mm.begin(), o.u95_mm.end());
  o.long_mm = {o.box.long_mm, 2 * worst};
  o.short_mm = {o.box.short_mm, 2 * worst};
}

void read_seen(const Json& root, outline::Outline& o) {
  if (!root.contains("seen")) return;
  const std::size_t n = o.points.size();
  for (const Json& value : list(root, "seen", n, n)) {
    if (!value.is_boolean()) throw Refusal{"\"seen\" holds something other than true and false"};
    o.seen.push_back(value.get<bool>());
  }
  if (root.contains("seen_fraction")) {
    o.seen_fraction = number(root["seen_fraction"], "seen_fraction", 0, 1);
  }
}

std::vector<model::CardMark> read_cards(const Json& root) {
  constexpr std::size_t kMost = 200;
  std::vector<model::CardMark> out;
  if (!root.contains("cards")) return out;
  for (const Json& value : list(root, "cards", 0, kMost)) {
    if (!value.is_object()) throw Refusal{"\"cards\" holds something other than objects"};
    model::CardMark mark;
    mark.kind = text(value, "kind", 20);
    mark.id = static_cast<int>(number(member(value, "id"), "id", -1, 1e6));
    mark.corners_px = pairs<PointPx>(list(value, "corners_px", 4, 4), "corners_px", kFurthest_px);
    out.push_back(std::move(mark));
  }
  return out;
}

void read_photo(const Json& root, model::Measurement& m) {
  const auto photo = root.find("photo");
  if (photo == root.end() || !photo->is_object()) return;
  m.photo_name = text(*photo, "name", 240);
  m.photo_sha256 = text(*photo, "sha256", 64);
  m.photo_width_px = static_cast<int>(number(member(*photo, "width_px"), "width_px", 0, 1e5));
  m.photo_height_px = static_cast<int>(number(member(*photo, "height_px"), "height_px", 0, 1e5));
}

model::Measurement measurement(const std::string& bytes) {
  const Json root = reader::parsed(bytes, "panecard-outline");
  model::Measurement m;
  m.boundary = reader::boundary_in(root);
  outline::Outline& o = m.outline;
  o.points = outline(root);
  const std::size_t n = o.points.size();
  o.u95_mm = lengths(list(root, "outline_u95_mm", n, n), "outline_u95_mm");
  o.points_px = pairs<PointPx>(list(root, "outline_px", n, n), "outline_px", kFurthest_px);
  o.pieces = read_pieces(root, n);
  read_sizes(root, o.pieces);
  read_box(root, o);
  read_seen(root, o);
  if (root.contains("diagonals_mm")) {
    for (const Json& d : list(root, "diagonals_mm", 0, 2)) {
      if (!d.is_object()) throw Refusal{"\"diagonals_mm\" holds something other than objects"};
      o.diagonals_mm.push_back(dimension(d, "value", "u95"));
    }
  }
  m.cards = read_cards(root);
  if (root.contains("warnings")) m.warnings = reader::findings_in(root, "warnings");
  m.verdict = text(root, "verdict", 1000);
  read_photo(root, m);
  return m;
}

template <typename T>
Result<T> read_with(const std::string& bytes, const std::string& name,
                    T (*read)(const std::string&)) {
  return reader::read_json<T>(bytes, read, [&](const std::string& why) {
    return "'" + name + "' is no result file: " + why + "; write it again with measure --json";
  });
}

}  // namespace

Result<StoredOutline> read_result(const std::string& path) {
  const auto bytes = read_file(path, kMostBytes);
  if (!bytes.ok()) return bytes.error();
  return result_in(bytes.value(), path);
}

Result<StoredOutline> result_in(const std::string& bytes, const std::string& name) {
  return read_with(bytes, name, stored);
}

Result<model::Measurement> read_measurement(const std::string& path) {
  const auto bytes = read_file(path, kMostBytes);
  if (!bytes.ok()) return bytes.error();
  return measurement_in(bytes.value(), path);
}

Result<model::Measurement> measurement_in(const std::string& bytes, const std::string& name) {
  return read_with(bytes, name, measurement);
}

Result<std::string> read_format(const std::string& path) {
  const auto bytes = read_file(path, kMostBytes);
  if (!bytes.ok()) return bytes.error();
  return reader::read_json<std::string>(
      bytes.value(), reader::format_of, [&](const std::string& why) {
        return "'" + path + "': " + why + "; give a file of panecard";
      });
}

}  // namespace panecard::records
