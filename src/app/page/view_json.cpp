#include "app/page/view_json.h"

#include <cmath>
#include <nlohmann/json.hpp>

#include "model/model.h"
#include "report/report.h"

namespace panecard::app::page {
namespace {

using nlohmann::json;

double rounded(double value, double step) { return std::round(value / step) * step; }

json size(const outline::Dimension& d) {
  constexpr double kStep = 1e-3;
  return {{"value", rounded(d.value, kStep)}, {"u95", rounded(d.u95, kStep)}};
}

json pixels(const std::vector<PointPx>& points) {
  constexpr double kPerPixel = 20;
  json out = json::array();
  for (const PointPx& p : points) {
    out.push_back(std::round(p.x * kPerPixel) / kPerPixel);
    out.push_back(std::round(p.y * kPerPixel) / kPerPixel);
  }
  return out;
}

const char* kind_of(const outline::Piece& piece) {
  if (piece.corner) return "corner";
  switch (piece.kind) {
    case outline::PieceKind::line:
      return "straight";
    case outline::PieceKind::arc:
      return "arc";
    case outline::PieceKind::free:
      return "free";
  }
  return "free";
}

json pieces(const std::vector<outline::Piece>& all) {
  json out = json::array();
  for (const outline::Piece& p : all) {
    json one = {{"name", p.name}, {"kind", kind_of(p)}, {"first", p.first},
                {"last", p.last}, {"seen", p.seen},     {"length", size(p.length_mm)}};
    if (p.kind == outline::PieceKind::arc) one["radius"] = size(p.radius);
    out.push_back(std::move(one));
  }
  return out;
}

}  // namespace

json view_json(const model::Measurement& m) {
  const outline::Outline& o = m.outline;
  json cards = json::array(), warnings = json::array(), seen = json::array(), u95 = json::array();
  for (const model::CardMark& card : m.cards) {
    cards.push_back({{"kind", card.kind}, {"id", card.id}, {"px", pixels(card.corners_px)}});
  }
  for (const Finding& f : m.warnings) warnings.push_back({{"code", f.code}, {"text", f.text}});
  for (const bool s : o.seen) seen.push_back(s ? 1 : 0);
  for (const double u : o.u95_mm) u95.push_back(rounded(u, 1e-2));
  json diagonals = json::array();
  for (const outline::Dimension& d : o.diagonals_mm) diagonals.push_back(size(d));
  return {{"boundary", m.boundary},
          {"width", m.photo_width_px},
          {"height", m.photo_height_px},
          {"outline", {{"px", pixels(o.points_px)}, {"seen", seen}, {"u95_mm", u95}}},
          {"pieces", pieces(o.pieces)},
          {"cards", cards},
          {"sizes",
           {{"long_mm", size(o.long_mm)},
            {"short_mm", size(o.short_mm)},
            {"perimeter_mm", size(o.perimeter_mm)},
            {"area_mm2", size(o.area_mm2)},
            {"diagonals_mm", diagonals}}},
          {"seen_fraction", rounded(o.seen_fraction, 1e-3)},
          {"bent", rounded(m.face.bent_probability, 1e-3)},
          {"verdict", m.verdict},
          {"verdict_inch", report::verdict_on(m.outline, Units::inch)},
          {"warnings", warnings},
          {"lens", m.lens_text}};
}

}  // namespace panecard::app::page
