#include <algorithm>
#include <cmath>

#include "formats/cut_path.h"
#include "formats/formats.h"
#include "formats/json_reader.h"
#include "formats/json_writer.h"
#include "formats/text.h"

namespace panecard::formats {
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

Written written(const std::vector<LaidPiece>& pieces) {
  Written out = Written::array();
  for (const LaidPiece& p : pieces) {
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

std::vector<LaidPiece> pieces_in(const Json& root) {
  std::vector<LaidPiece> out;
  for (const Json& value : reader::list(root, "pieces", 1, kMostPieces)) {
    if (!value.is_object()) throw Refusal{"\"pieces\" holds something other than objects"};
    LaidPiece p;
    p.name = reader::text(value, "name", kLongestName);
    p.along = reader::along_in(value);
    p.copies = reader::whole(reader::member(value, "copies"), "copies", 1, kMostCopies);
    p.area_mm2 = amount(value, "area_mm2", kMostArea_mm2);
    p.level_mm = amount(value, "level_mm", kFurthest_mm);
    p.upright_mm = amount(value, "upright_mm", kFurthest_mm);
    if (!reader::member(value, "u95_mm").is_null()) p.u95_mm = amount(value, "u95_mm", 1e4);
    out.push_back(p);
  }
  return out;
}

void add_copies(const Json& root, StoredLayout& layout) {
  std::size_t vertices = 0;
  for (const Json& value : reader::list(root, "placed", 1, kMostPlaced)) {
    if (!value.is_object()) throw Refusal{"\"placed\" holds something other than objects"};
    LaidCopy copy;
    copy.piece = reader::index(reader::member(value, "piece"), "piece", layout.pieces.size());
    copy.copy = reader::whole(reader::member(value, "copy"), "copy", 1, kMostCopies);
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

std::vector<StoredStrip> strips_in(const Json& root) {
  std::vector<StoredStrip> out;
  for (const Json& value : reader::list(root, "strips", 1, kMostStrips)) {
    if (!value.is_object()) throw Refusal{"\"strips\" holds something other than objects"};
    StoredStrip s;
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

StoredLayout stored(const std::string& bytes) {
  const Json root = reader::parsed(bytes, "panecard-layout", kVersion);
  StoredLayout out;
  out.currency = reader::text(root, "currency", 12);
  out.gap_mm = amount(root, "gap_mm", 1000);
  out.edge_mm = amount(root, "edge_mm", 1000);
  out.pieces = pieces_in(root);
  out.strips = strips_in(root);
  add_copies(root, out);
  for (const StoredStrip& strip : out.strips) {
    if (const auto wrong = wrong_with(sheet_of(out, strip))) throw Refusal{wrong->detail};
  }
  return out;
}

Written written(const StoredStrip& strip) {
  return {{"film", written(strip.film)},
          {"length_mm", mm(strip.length_mm)},
          {"bound_mm", mm(strip.bound_mm)},
          {"shortest", strip.shortest},
          {"cost", strip.cost},
          {"waste_mm2", mm(strip.waste_mm2)},
          {"rest", written(strip.rest)},
          {"largest_within", written(strip.largest_within)},
          {"findings", formats::written(strip.findings)}};
}

}  // namespace

std::string to_layout_json(const StoredLayout& layout) {
  Written strips = Written::array(), placed = Written::array();
  for (std::size_t k = 0; k < layout.strips.size(); ++k) {
    strips.push_back(written(layout.strips[k]));
    for (const LaidCopy& c : layout.strips[k].copies) {
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

Result<StoredLayout> read_layout(const std::string& path) {
  const auto bytes = read_file(path, kMostBytes);
  if (!bytes.ok()) return bytes.error();
  return reader::read_json<StoredLayout>(bytes.value(), stored, [&](const std::string& why) {
    return "'" + path + "' is no film layout: " + why + "; write it again with roll --json";
  });
}

LaidPiece laid(const StoredPiece& piece) {
  LaidPiece out;
  out.name = piece.name;
  out.along = piece.along;
  out.copies = piece.copies;
  out.area_mm2 = piece.area_mm2;
  const PointMm size = extent_of(CutPath{CutKind::cut, piece.arcs, true, "", -1}).size();
  out.level_mm = size.x, out.upright_mm = size.y;
  // How two sides' errors go together is not in the file; at worst they add.
  double largest = 0, second = 0;
  for (const StoredSide& s : piece.sides) {
    if (!s.u95_mm) return out;
    const double u95 = std::max(0.0, *s.u95_mm - s.u95_added_mm);
    second = std::max(second, std::min(u95, largest));
    largest = std::max(largest, u95);
  }
  if (!piece.sides.empty()) out.u95_mm = largest + (piece.sides.size() > 1 ? second : largest);
  return out;
}

LaidCopy laid(const StoredPiece& piece, const layout::Placed& placed, std::size_t index, int copy) {
  LaidCopy out{index, copy, placed.turn_deg, placed.mirrored, piece.arcs};
  if (placed.mirrored) {
    // Going round the other way, each arc belongs to the corner that was its end; mirrored and
    // turned back it bends as it did.
    const std::size_t n = piece.arcs.size();
    for (std::size_t i = 0; i < n; ++i) {
      const PointMm at = piece.arcs[n - 1 - i].at;
      out.arcs[i] = {{-at.x, at.y}, piece.arcs[(2 * n - 2 - i) % n].bulge};
    }
  }
  for (CutVertex& v : out.arcs) v.at = layout::turned(v.at, placed.turn_deg) + placed.shift;
  return out;
}

PolygonMm shape_of(const StoredPiece& piece) {
  constexpr double kChord_mm = 0.005;
  return flatten({CutKind::cut, piece.arcs, true, "", -1}, kChord_mm);
}

StoredPiece twin_of(const StoredPiece& piece) {
  StoredPiece out = piece;
  layout::Placed mirrored;
  mirrored.mirrored = true;
  out.arcs = laid(piece, mirrored, 0, 1).arcs;
  for (PointMm& p : out.cut) p.x = -p.x;
  std::reverse(out.cut.begin(), out.cut.end());
  for (StoredSide& s : out.sides) s.first = s.last = 0;
  return out;
}

CutSheet sheet_of(const StoredLayout& layout, const StoredStrip& strip) {
  CutSheet sheet;
  sheet.title = strip.film.name;
  sheet.length_mm = strip.length_mm;
  sheet.width_mm = strip.film.width_mm;
  const double l = strip.length_mm, w = strip.film.width_mm;
  sheet.paths.push_back(
      {CutKind::film_edge, {{{0, 0}}, {{l, 0}}, {{l, w}}, {{0, w}}}, true, "", -1});
  for (const LaidCopy& c : strip.copies) {
    sheet.paths.push_back({CutKind::cut, c.arcs, true, layout.pieces[c.piece].name, -1});
  }
  return sheet;
}

}  // namespace panecard::formats
