#include <algorithm>
#include <array>
#include <cmath>
#include <nlohmann/json.hpp>
#include <numbers>
#include <utility>

#include "records/records.h"
#include "report/report.h"

namespace panecard::records {
namespace {

using Json = nlohmann::ordered_json;
using outline::Dimension;
using outline::Piece;
using outline::PieceKind;

// 0.1 um and a thousandth of a pixel: finer than anything measured, and the text stays short.
double mm(double v) { return std::round(v * 1e4) / 1e4; }
double px(double v) { return std::round(v * 1e3) / 1e3; }

Json pair(PointMm p) { return Json::array({mm(p.x), mm(p.y)}); }
Json pair(PointPx p) { return Json::array({px(p.x), px(p.y)}); }

template <typename Point>
Json pairs(const std::vector<Point>& points) {
  Json out = Json::array();
  for (const Point& p : points) out.push_back(pair(p));
  return out;
}

Json value_with_u95(const Dimension& d) { return {{"value", mm(d.value)}, {"u95", mm(d.u95)}}; }

Json numbers(const std::vector<double>& values) {
  Json out = Json::array();
  for (const double v : values) out.push_back(mm(v));
  return out;
}

Json edges(const outline::Outline& o) {
  Json out = Json::array();
  for (const Piece& p : o.pieces) {
    if (p.corner) continue;
    Json edge = {{"name", p.name},
                 {"length_mm", mm(p.length_mm.value)},
                 {"length_u95_mm", mm(p.length_mm.u95)},
                 {"seen", p.seen}};
    if (p.kind == PieceKind::arc) {
      edge["radius_mm"] = mm(p.radius.value);
      edge["radius_u95_mm"] = mm(p.radius.u95);
      edge["sagitta_mm"] = mm(p.sagitta_mm.value);
      edge["sagitta_u95_mm"] = mm(p.sagitta_mm.u95);
    }
    out.push_back(edge);
  }
  return out;
}

Json corners(const outline::Outline& o) {
  Json out = Json::array();
  for (const Piece& p : o.pieces) {
    if (!p.corner) continue;
    out.push_back({{"name", p.name},
                   {"radius_mm", mm(p.radius.value)},
                   {"radius_u95_mm", mm(p.radius.u95)},
                   {"angle_deg", mm(p.angle_deg.value)},
                   {"angle_u95_deg", mm(p.angle_deg.u95)},
                   {"seen", p.seen}});
  }
  return out;
}

Json quality(const std::vector<model::QualityFigure>& figures) {
  Json out = Json::array();
  for (const model::QualityFigure& f : figures) {
    out.push_back({{"name", f.name},
                   {"value", mm(f.value)},
                   {"unit", f.unit},
                   {"long_u95_mm", mm(f.long_u95_mm)},
                   {"remedy", f.remedy}});
  }
  return out;
}

/// Per length, what its u95 would be with each source alone.
Json budget(const outline::Outline& o) {
  Json rows = Json::array();
  for (const report::NamedLength& row : report::named_lengths(o)) {
    Json parts = Json::object();
    for (std::size_t s = 0; s < std::min(o.sources.size(), row.length_mm.parts.size()); ++s) {
      parts[o.sources[s].text()] = mm(row.length_mm.parts[s]);
    }
    rows.push_back({{"name", row.name}, {"u95_mm", mm(row.length_mm.u95)}, {"parts_mm", parts}});
  }
  return rows;
}

Json advice(const outline::Outline& o) {
  const auto found = outline::most_helpful(o);
  if (!found) return nullptr;
  Json sources = Json::array();
  for (const ErrorSource source : found->sources) sources.push_back(std::string(text(source)));
  return {{"action", found->action},
          {"sources", sources},
          {"long_u95_mm", mm(found->long_u95_mm)},
          {"short_u95_mm", mm(found->short_u95_mm)},
          {"text", report::say_advice(o, *found, Units::mm)}};
}

const char* word(PieceKind kind) {
  switch (kind) {
    case PieceKind::line:
      return "line";
    case PieceKind::arc:
      return "arc";
    case PieceKind::free:
      return "bezier";
  }
  return "";
}

Json pieces(const outline::Outline& o) {
  Json out = Json::array();
  for (const Piece& p : o.pieces) {
    Json piece = {{"kind", word(p.kind)}, {"name", p.name},         {"first", p.first},
                  {"last", p.last},       {"start", pair(p.start)}, {"end", pair(p.end)}};
    if (p.kind == PieceKind::arc) {
      piece["centre"] = pair(p.centre);
      piece["radius_mm"] = mm(p.radius_mm);
      piece["sweep_deg"] = mm(p.sweep_rad * 180 / std::numbers::pi);
    }
    if (p.kind == PieceKind::free) piece["control"] = pairs(p.control);
    piece["corner"] = p.corner;
    piece["seen"] = p.seen;
    out.push_back(piece);
  }
  return out;
}

Json cards(const std::vector<model::CardMark>& marks) {
  Json out = Json::array();
  for (const model::CardMark& c : marks) {
    out.push_back({{"kind", c.kind}, {"id", c.id}, {"corners_px", pairs(c.corners_px)}});
  }
  return out;
}

Json warnings(const std::vector<Finding>& findings) {
  Json out = Json::array();
  for (const Finding& f : findings) out.push_back({{"code", f.code}, {"text", f.text}});
  return out;
}

Json box(const outline::Outline& o) {
  return {{"long_mm", mm(o.long_mm.value)},
          {"long_u95_mm", mm(o.long_mm.u95)},
          {"short_mm", mm(o.short_mm.value)},
          {"short_u95_mm", mm(o.short_mm.u95)},
          {"centre_mm", pair(o.box.centre)},
          {"angle_deg", mm(o.box.angle_rad * 180 / std::numbers::pi)}};
}

/// That every source is linear in the length run from point `from` to `to`, within 2 um.
bool linear_between(const Contour& c, std::size_t from, std::size_t to) {
  constexpr double kClose_mm = 0.002;
  const std::size_t n = c.points.size();
  double whole = 0, run = 0;
  for (std::size_t i = from; i < to; ++i) whole += distance(c.points[i], c.points[(i + 1) % n]);
  for (std::size_t i = from + 1; i < to; ++i) {
    run += distance(c.points[i - 1], c.points[i]);
    const double t = whole > 0 ? run / whole : 0;
    for (const PolygonMm& mode : c.modes) {
      const PointMm on_chord = (1 - t) * mode[from] + t * mode[to % n];
      if (distance(on_chord, mode[i]) > kClose_mm) return false;
    }
    const double sigma = (1 - t) * c.sigma_mm[from] + t * c.sigma_mm[to % n];
    if (std::abs(sigma - c.sigma_mm[i]) > kClose_mm) return false;
  }
  return true;
}

/// The outline's points where the sources are stated; between them they are linear.
std::vector<std::size_t> stations(const Contour& c) {
  constexpr std::size_t kFurthest = 20;
  std::vector<std::size_t> out = {0};
  for (std::size_t i = 1; i < c.points.size(); ++i) {
    if (i + 1 - out.back() > kFurthest || !linear_between(c, out.back(), i + 1)) out.push_back(i);
  }
  return out;
}

/// The number that Json(mm(v)) dumps. The sources' tens of thousands of numbers are written at
/// once: a tree of them takes several times as long.
void add_mm(double v, std::string& to) {
  constexpr double kMost = 1e9;
  if (!(std::abs(v) < kMost)) {
    to += Json(mm(v)).dump();
    return;
  }
  constexpr int kPlaces = 4;
  auto rest = std::llround(std::abs(v) * 1e4);
  std::array<char, 24> text{};
  char *end = text.data() + text.size(), *first = end;
  for (int place = 0; place < kPlaces; ++place, rest /= 10) {
    *--first = static_cast<char>('0' + rest % 10);
    if (*first == '0' && end == first + 1 && place + 1 < kPlaces) --end;
  }
  *--first = '.';
  do *--first = static_cast<char>('0' + rest % 10);
  while ((rest /= 10) > 0);
  if (v < 0) *--first = '-';
  to.append(first, end);
}

/// Of all `values` in turn, `add` adds the text to a list.
template <typename Values, typename Add>
void add_list(const Values& values, const Add& add, std::string& to) {
  to += '[';
  for (bool first = true; const auto& value : values) {
    if (!std::exchange(first, false)) to += ',';
    add(value);
  }
  to += ']';
}

std::string covariance(const Contour& c) {
  if (c.points.empty() || c.sigma_mm.size() != c.points.size()) return "null";
  const std::vector<std::size_t> at = stations(c);
  std::string out = "{\"at\":" + Json(at).dump() + ",\"noise_sigma_mm\":";
  add_list(
      at, [&](std::size_t i) { add_mm(c.sigma_mm[i], out); }, out);
  out += ",\"noise_alike_mm\":";
  add_mm(c.correlation_length_mm, out);
  out += ",\"sources\":";
  std::size_t m = 0;
  const auto add_source = [&](const PolygonMm& mode) {
    out += "{\"name\":" + Json(m < c.mode_sources.size() ? c.mode_sources[m].text() : "")
                              .dump(-1, ' ', false, Json::error_handler_t::replace);
    out += ",\"shift_mm\":";
    add_list(
        at,
        [&](std::size_t i) {
          add_list(
              std::array{mode[i].x, mode[i].y}, [&](double v) { add_mm(v, out); }, out);
        },
        out);
    out += '}';
    ++m;
  };
  add_list(c.modes, add_source, out);
  return out + '}';
}

// One field a line, so that two results can be compared with ordinary text tools.
std::string lines(const Json& object, const std::string& last_key, const std::string& last_text) {
  std::string out = "{\n";
  for (const auto& [key, value] : object.items()) {
    out += "  " + Json(key).dump() + ": ";
    out += value.dump(-1, ' ', false, Json::error_handler_t::replace) + ",\n";
  }
  return out + "  " + Json(last_key).dump() + ": " + last_text + "\n}\n";
}

}  // namespace

std::string to_json(const model::Measurement& m) {
  const outline::Outline& o = m.outline;
  Json diagonals = Json::array();
  for (const Dimension& d : o.diagonals_mm) diagonals.push_back(value_with_u95(d));
  Json seen = Json::array();
  for (const bool s : o.seen) seen.push_back(s);

  Json j;
  j["format"] = "panecard-outline";
  j["version"] = 1;
  j["boundary"] = m.boundary;
  j["verdict"] = m.verdict;
  j["box"] = box(o);
  j["edges"] = edges(o);
  j["corners"] = corners(o);
  j["diagonals_mm"] = diagonals;
  j["area_mm2"] = value_with_u95(o.area_mm2);
  j["perimeter_mm"] = value_with_u95(o.perimeter_mm);
  j["budget"] = budget(o);
  j["advice"] = advice(o);
  j["seen_fraction"] = mm(o.seen_fraction);
  j["warnings"] = warnings(m.warnings);
  j["quality"] = quality(m.quality);
  j["face"] = {{"bent_probability", mm(m.face.bent_probability)},
               {"curvature_per_m", mm(1000 * m.face.curvature_per_mm)},
               {"curvature_u95_per_m", mm(1000 * m.face.curvature_u95_per_mm)},
               {"weaker_curvature_per_m", mm(1000 * m.face.weaker_per_mm)},
               {"weaker_curvature_u95_per_m", mm(1000 * m.face.weaker_u95_per_mm)},
               {"axis_from_level_deg", mm(m.face.axis_deg)}};
  j["photo"] = {{"name", m.photo_name},
                {"width_px", m.photo_width_px},
                {"height_px", m.photo_height_px},
                {"sha256", m.photo_sha256}};
  j["lens"] = m.lens_text;
  j["cards"] = cards(m.cards);
  j["pieces"] = pieces(o);
  j["outline_mm"] = pairs(o.points);
  j["outline_u95_mm"] = numbers(o.u95_mm);
  j["outline_px"] = pairs(o.points_px);
  j["seen"] = seen;
  return lines(j, "covariance", covariance(m.covariance));
}

}  // namespace panecard::records
