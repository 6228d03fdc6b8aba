#include <algorithm>
#include <cmath>

#include "film/film.h"
#include "records/json_reader.h"
#include "records/json_writer.h"
#include "records/records.h"
#include "report/report.h"

namespace panecard::records {
namespace {

using reader::Json;
using reader::Refusal;

constexpr std::size_t kMostBytes = 64'000'000, kMostPieces = 1000, kMostPlaced = 2000;
constexpr std::size_t kMostVertices = 200'000, kLongestName = 120, kMostStrips = 2000;
constexpr int kVersion = 2;
constexpr double kFurthest_mm = 5e4, kMostLeft_mm = 1e6, kMostArea_mm2 = 1e9, kMostPrice = 1e6;

Written written(const layout::Rectangle& r) {
  return {{"x_mm", mm(r.low.x)},
          {"y_mm", mm(r.low.y)},
          {"length_mm", mm(r.length_mm)},
          {"width_mm", mm(r.width_mm)}};
}

Written written(const layout::Film& film) {
  return {{"name", film.name},
          {"film", film.kind},
          {"leftover", film.leftover},
          {"width_mm", mm(film.width_mm)},
          {"left_mm", mm(film.length_mm)},
          {"price_per_m", film.price_per_m}};
}

Written written(const std::vector<film::LaidPiece>& pieces) {
  Written out = Written::array();
  for (const film::LaidPiece& p : pieces) {
    out.push_back({{"name", p.name},
                   {"along", p.along},
                   {"copies", p.copies},
                   {"area_mm2", mm(p.area_mm2)},
                   {"level_mm", mm(p.level_mm)},
                   {"upright_mm", mm(p.upright_mm)},
                   {"u95_mm", p.u95_mm ? Written(mm(*p.u95_mm)) : Written(nullptr)}});
  }
  return out;
}

double amount(const Json& object, const char* key, double most) {
  return reader::number(reader::member(object, key), key, 0, most);
}

const Json& object_in(const Json& root, const char* key) {
  const Json& value = reader::member(root, key);
  if (!value.is_object()) throw Refusal{std::string("\"") + key + "\" is no object"};
  return value;
}

layout::Rectangle rectangle_in(const Json& root, const char* key) {
  const Json& value = object_in(root, key);
  return {{amount(value, "x_mm", kMostLeft_mm), amount(value, "y_mm", kFurthest_mm)},
          amount(value, "length_mm", kMostLeft_mm),
          amount(value, "width_mm", kFurthest_mm)};
}

layout::Film film_in(const Json& strip) {
  const Json& value = object_in(strip, "film");
  layout::Film out;
  out.name = reader::text(value, "name", kLongestName);
  out.kind = reader::text(value, "film", kLongestName);
  out.leftover = reader::yes_or_no(value, "leftover");
  out.width_mm = amount(value, "width_mm", kFurthest_mm);
  out.length_mm = amount(value, "left_mm", kMostLeft_mm);
  out.price_per_m = amount(value, "price_per_m", kMostPrice);
  return out;
}

std::vector<film::LaidPiece> pieces_in(const Json& root) {
  std::vector<film::LaidPiece> out;
  for (const Json& value : reader::list(root, "pieces", 1, kMostPieces)) {
    if (!value.is_object()) throw Refusal{"\"pieces\" holds something other than objects"};
    film::LaidPiece p;
    p.name = reader::text(value, "name", kLongestName);
    p.along = reader::along_in(value);
    p.copies = reader::whole(reader::member(value, "copies"), "copies", 1, film::kMostCopies);
    p.area_mm2 = amount(value, "area_mm2", kMostArea_mm2);
    p.level_mm = amount(value, "level_mm", kFurthest_mm);
    p.upright_mm = amount(value, "upright_mm", kFurthest_mm);
    if (!reader::member(value, "u95_mm").is_null()) p.u95_mm = amount(value, "u95_mm", 1e4);
    out.push_back(p);
  }
  return out;
}

void add_copies(const Json& root, film::FilmLayout& layout) {
  std::size_t vertices = 0;
  for (const Json& value : reader::list(root, "placed", 1, kMostPlaced)) {
    if (!value.is_object()) throw Refusal{"\"placed\" holds something other than objects"};
    film::LaidCopy copy;
    copy.piece = reader::index(reader::member(value, "piece"), "piece", layout.pieces.size());
    copy.copy = reader::whole(reader::member(value, "copy"), "copy", 1, film::kMostCopies);
    copy.turn_deg = reader::number(reader::member(value, "turn_deg"), "turn_deg", -360, 360);
    copy.mirrored = reader::yes_or_no(value, "mirrored");
    const Json& arcs = reader::list(value, "arcs", 2, kMostVertices);
    vertices += arcs.size();
    if (vertices > kMostVertices) throw Refusal{"its pieces have too many corners"};
    copy.arcs = reader::arcs(arcs, "arcs", kFurthest_mm);
    const auto strip = reader::index(reader::member(value, "strip"), "strip", layout.strips.size());
    layout.strips[strip].copies.push_back(std::move(copy));
  }
}

std::vector<film::FilmStrip> strips_in(const Json& root) {
  std::vector<film::FilmStrip> out;
  for (const Json& value : reader::list(root, "strips", 1, kMostStrips)) {
    if (!value.is_object()) throw Refusal{"\"strips\" holds something other than objects"};
    film::FilmStrip s;
    s.film = film_in(value);
    s.length_mm = amount(value, "length_mm", kFurthest_mm);
    s.bound_mm = amount(value, "bound_mm", kFurthest_mm);
    s.shortest = reader::yes_or_no(value, "shortest");
    s.cost = amount(value, "cost", 1e9);
    s.waste_mm2 = amount(value, "waste_mm2", kMostArea_mm2);
    s.rest = rectangle_in(value, "rest");
    s.largest_within = rectangle_in(value, "largest_within");
    s.findings = reader::findings_in(value, "findings");
    out.push_back(std::move(s));
  }
  return out;
}

film::FilmLayout stored(const std::string& bytes) {
  const Json root = reader::parsed(bytes, "panecard-layout", kVersion);
  film::FilmLayout out;
  out.currency = reader::text(root, "currency", 12);
  out.gap_mm = amount(root, "gap_mm", 1000);
  out.edge_mm = amount(root, "edge_mm", 1000);
  out.pieces = pieces_in(root);
  out.strips = strips_in(root);
  add_copies(root, out);
  for (const film::FilmStrip& strip : out.strips) {
    if (const auto wrong = wrong_with(sheet_of(out, strip))) throw Refusal{wrong->detail};
  }
  return out;
}

Written written(const film::FilmStrip& strip) {
  return {{"film", written(strip.film)},
          {"length_mm", mm(strip.length_mm)},
          {"bound_mm", mm(strip.bound_mm)},
          {"shortest", strip.shortest},
          {"cost", strip.cost},
          {"waste_mm2", mm(strip.waste_mm2)},
          {"rest", written(strip.rest)},
          {"largest_within", written(strip.largest_within)},
          {"findings", records::written(strip.findings)}};
}

}  // namespace

std::string to_layout_json(const film::FilmLayout& layout) {
  Written strips = Written::array(), placed = Written::array();
  for (std::size_t k = 0; k < layout.strips.size(); ++k) {
    strips.push_back(written(layout.strips[k]));
    for (const film::LaidCopy& c : layout.strips[k].copies) {
      placed.push_back({{"strip", k},
                        {"piece", c.piece},
                        {"copy", c.copy},
                        {"turn_deg", mm(c.turn_deg)},
                        {"mirrored", c.mirrored},
                        {"arcs", written(c.arcs)}});
    }
  }
  Written j;
  j["format"] = "panecard-layout";
  j["version"] = kVersion;
  j["currency"] = layout.currency;
  j["gap_mm"] = mm(layout.gap_mm);
  j["edge_mm"] = mm(layout.edge_mm);
  j["pieces"] = written(layout.pieces);
  j["strips"] = strips;
  j["placed"] = placed;
  return written_lines(j);
}

Result<film::FilmLayout> read_layout(const std::string& path) {
  const auto bytes = read_file(path, kMostBytes);
  if (!bytes.ok()) return bytes.error();
  return reader::read_json<film::FilmLayout>(bytes.value(), stored, [&](const std::string& why) {
    return "'" + path + "' is no film layout: " + why + "; write it again with roll --json";
  });
}

}  // namespace panecard::records
