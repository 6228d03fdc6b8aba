#include <algorithm>
#include <cmath>

#include "report/report.h"

namespace panecard::report {
namespace {

using outline::Dimension;
using outline::Piece;

struct Row {
  std::string name, value, u95, note;
};

Row length_row(const std::string& name, const Dimension& d, Units u) {
  const Said said = say_length(d, u);
  return {name, said.value, said.u95,
          u == Units::inch ? "in   " + to_sixteenths(d.value) : length_unit(u)};
}

std::vector<Row> rows(const outline::Outline& o, Units u) {
  std::vector<Row> out;
  out.push_back(length_row("box, long side", o.long_mm, u));
  out.push_back(length_row("box, short side", o.short_mm, u));
  for (const Piece& p : o.pieces) {
    if (p.corner) continue;
    Row row = length_row(clean(p.name, 24), p.length_mm, u);
    if (p.kind == outline::PieceKind::arc) {
      row.note += "   " + say_bend(p, u, "radius");
    }
    if (!p.seen) row.note += "   not seen";
    out.push_back(row);
  }
  for (const Piece& p : o.pieces) {
    if (!p.corner) continue;
    Row row = length_row(clean(p.name, 24) + ", radius", p.radius, u);
    row.note += "   at " + say(p.angle_deg, 2).both() + " deg";
    if (!p.seen) row.note += "   not seen";
    out.push_back(row);
  }
  for (std::size_t i = 0; i < o.diagonals_mm.size(); ++i) {
    out.push_back(length_row("diagonal " + std::to_string(i + 1), o.diagonals_mm[i], u));
  }
  const Said area = say_area(o.area_mm2, u);
  out.push_back({"area", area.value, area.u95, area_unit(u)});
  out.push_back(length_row("perimeter", o.perimeter_mm, u));
  return out;
}

std::string quality_line(const std::vector<model::QualityFigure>& figures) {
  std::string out;
  for (const model::QualityFigure& f : figures) {
    const std::string value = fixed(f.value, std::abs(f.value) < 10 ? 1 : 0);
    out += (out.empty() ? "" : ", ") + clean(f.name, 40) + " " + value + " " + clean(f.unit, 20);
  }
  return out;
}

}  // namespace

std::string to_table(const model::Measurement& m, Units u) {
  const outline::Outline& o = m.outline;
  std::string out = clean(m.photo_name, 120) + ": " + boundary_words(m.boundary) + "\n\n";
  const std::vector<Row> all = rows(o, u);
  std::size_t name = 0;
  std::size_t value = 0;
  std::size_t u95 = 0;
  for (const Row& r : all) {
    name = std::max(name, count_characters(r.name));
    value = std::max(value, r.value.size());
    u95 = std::max(u95, r.u95.size());
  }
  for (const Row& r : all) {
    out += "  " + pad_right(r.name, name) + "  " + pad_left(r.value, value) + " \u00b1 " +
           pad_right(r.u95, u95) + " " + r.note + "\n";
  }
  out += "\n  " + fixed(100 * o.seen_fraction, o.seen_fraction < 1 ? 1 : 0) +
         " % of the boundary was seen. \u00b1 holds " + "for 95 % (k = 2).\n";
  if (!m.quality.empty()) out += "  Photo: " + quality_line(m.quality) + "\n";
  if (!m.lens_text.empty()) out += "  Lens: " + clean(m.lens_text, 120) + "\n";
  for (const Finding& f : m.warnings) {
    out += "  ! " + clean(f.text, 400) + " [" + clean(f.code, 40) + "]\n";
  }
  if (!m.verdict.empty()) out += "  " + clean(m.verdict, 600) + "\n";
  return out;
}

}  // namespace panecard::report
