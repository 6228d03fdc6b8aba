#include <algorithm>
#include <cmath>

#include "drawings/drawing.h"
#include "drawings/style.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

using outline::Dimension;
using outline::Outline;
using outline::Piece;

constexpr double kTop = 16;
constexpr double kFootTop = 170;
constexpr double kValueRight = 248;
constexpr double kTextSize = 2.8;
constexpr double kSmallSize = 2.4;

struct Row {
  std::string name;
  report::Said said;
  std::string note;
  bool heading = false;
  bool seen = true;
};

Row row(const std::string& name, const Dimension& d, Units u) {
  return {name, say_length(d, u), u == Units::inch ? to_sixteenths(d.value) : ""};
}

Row heading(const std::string& words) { return {words, {}, "", true}; }

std::vector<Row> rows(const Outline& o, Units u) {
  std::vector<Row> out;
  out.push_back(heading("Smallest box, " + length_unit(u)));
  out.push_back(row("long", o.long_mm, u));
  out.push_back(row("short", o.short_mm, u));
  const auto is_corner = [](const Piece& p) { return p.corner; };
  if (!std::all_of(o.pieces.begin(), o.pieces.end(), is_corner)) out.push_back(heading("Edges"));
  for (const Piece& p : o.pieces) {
    if (p.corner) continue;
    Row r = row(short_name(p.name), p.length_mm, u);
    r.seen = p.seen;
    if (p.kind == outline::PieceKind::arc && u == Units::mm) {
      r.note = say_bend(p, u, "R");
    }
    out.push_back(r);
  }
  if (std::any_of(o.pieces.begin(), o.pieces.end(), is_corner)) {
    out.push_back(heading("Corners, radius and angle"));
  }
  for (const Piece& p : o.pieces) {
    if (!p.corner) continue;
    Row r = row(short_name(p.name), p.radius, u);
    r.seen = p.seen;
    r.note = say(p.angle_deg, 2).both() + "\u00b0";
    out.push_back(r);
  }
  if (!o.diagonals_mm.empty()) out.push_back(heading("Diagonals"));
  for (std::size_t i = 0; i < o.diagonals_mm.size(); ++i) {
    out.push_back(row(std::to_string(i + 1), o.diagonals_mm[i], u));
  }
  out.push_back(heading("Whole outline"));
  out.push_back(row("perimeter", o.perimeter_mm, u));
  out.push_back({"area", say_area(o.area_mm2, u), area_unit(u)});
  return out;
}

std::string to_width(const Ruler& ruler, std::string text, double size, bool bold, double width) {
  std::size_t most = count_characters(text);
  while (most > 1 && ruler.width_mm(text, size, bold) > width) text = clean(text, --most);
  return text;
}

void rule(Sheet& sheet, double y) {
  Path line;
  line.move({kColumnLeft, y}).line({kColumnRight, y});
  sheet.stroke(line, {style::kRule, 0.2});
}

double draw_title(Sheet& sheet, const Ruler& ruler, const model::Measurement& m) {
  const std::string name = m.photo_name.empty() ? "Pane outline" : clean(m.photo_name, 80);
  sheet.text({kColumnLeft, kTop}, to_width(ruler, name, 4, true, kColumnRight - kColumnLeft),
             {4, style::kInk, Anchor::start, true});
  const std::string boundary = boundary_words(m.boundary);
  sheet.text({kColumnLeft, kTop + 5}, boundary, {kTextSize, style::kInk});
  sheet.text({kColumnLeft, kTop + 9}, "seen from the side the photo was taken from",
             {kSmallSize, style::kQuiet});
  return kTop + 12;
}

// Values end at the +- sign, so that they line up whatever their decimals.
void draw_row(Sheet& sheet, const Ruler& ruler, const Row& r, double y) {
  if (r.heading) {
    sheet.text({kColumnLeft, y}, r.name, {kSmallSize, style::kQuiet});
    return;
  }
  sheet.text({kColumnLeft, y}, r.name, {kTextSize, style::kInk, Anchor::start, true});
  if (!r.seen) {
    const double after = kColumnLeft + ruler.width_mm(r.name, kTextSize, true) + 1.2;
    sheet.text({after, y}, "not seen", {kSmallSize, style::kQuiet});
  }
  sheet.text({kValueRight, y}, r.said.value, {kTextSize, style::kInk, Anchor::end});
  sheet.text({kValueRight + 1, y}, "\u00b1 " + r.said.u95, {kTextSize, style::kInk});
  if (!r.note.empty()) {
    sheet.text({kColumnRight, y}, r.note, {kTextSize, style::kQuiet, Anchor::end});
  }
}

void draw_rows(Sheet& sheet, const Ruler& ruler, const std::vector<Row>& all, double top,
               double bottom) {
  constexpr double kLoose = 4.7;
  constexpr double kTight = 3.7;
  constexpr double kBeforeHeading = 1.2;
  const auto headings = static_cast<double>(
      std::count_if(all.begin(), all.end(), [](const Row& r) { return r.heading; }));
  const double room = bottom - top - kBeforeHeading * headings;
  const double step = std::clamp(room / static_cast<double>(all.size()), kTight, kLoose);
  double y = top;
  for (std::size_t i = 0; i < all.size(); ++i) {
    y += step + (all[i].heading ? kBeforeHeading : 0);
    const bool last_line = y + step > bottom && i + 1 < all.size();
    if (last_line) {
      sheet.text({kColumnLeft, y},
                 "and " + std::to_string(all.size() - i) + " more lines in the result file",
                 {kSmallSize, style::kQuiet});
      return;
    }
    draw_row(sheet, ruler, all[i], y);
  }
}

struct Note {
  std::string line;
  bool bold;
};

std::vector<Note> notes(const Ruler& ruler, const model::Measurement& m) {
  // The verdict in full, whatever it says; warnings share what it leaves.
  constexpr std::size_t kMostLines = 16, kLinesOfAWarning = 4, kMostCharacters = 600;
  std::vector<Note> out;
  const auto add = [&](const std::string& text, std::size_t most_lines, bool bold) {
    const auto fits = [&](const std::string& line) {
      return ruler.width_mm(line, kSmallSize, bold) <= kColumnRight - kColumnLeft;
    };
    for (const std::string& line : wrap(on_paper(text, kMostCharacters), most_lines, fits)) {
      if (out.size() < kMostLines) out.push_back({line, bold});
    }
  };
  if (!m.verdict.empty()) add(m.verdict, kMostLines, true);
  for (const Finding& f : m.warnings) add("! " + f.text, kLinesOfAWarning, false);
  return out;
}

void draw_foot(Sheet& sheet, const Ruler& ruler, const model::Measurement& m,
               const DrawingScale& scale) {
  rule(sheet, kFootTop);
  double y = kFootTop + 5;
  const auto line = [&](const std::string& name, const std::string& words) {
    sheet.text({kColumnLeft, y}, name, {kSmallSize, style::kQuiet});
    sheet.text({kColumnLeft + 15, y},
               to_width(ruler, words, kSmallSize, false, kColumnRight - kColumnLeft - 15),
               {kSmallSize, style::kInk});
    y += 3.9;
  };
  std::string drawn = "1 : " + to_text(scale.one_to, 1);
  if (std::abs(scale.turned_deg) >= 0.05) {
    drawn += ", turned " + to_text(std::abs(scale.turned_deg), 1) + "\u00b0 " +
             (scale.turned_deg > 0 ? "right" : "left");
  }
  line("scale", drawn);
  line("\u00b1", "holds for 95 % (k = 2)");
  if (scale.band_times > 0) {
    line("shading", "\u00b1 of the outline, " + to_text(scale.band_times, 0) + " times its size");
  }
  line("seen", m.outline.seen_fraction < 1
                   ? fixed(100 * m.outline.seen_fraction, 1) + " % of the boundary; dashes were not"
                   : "all of the boundary");
  if (!m.lens_text.empty()) line("lens", clean(m.lens_text, 120));
  if (m.photo_width_px > 0) {
    line("photo",
         std::to_string(m.photo_width_px) + " \u00d7 " + std::to_string(m.photo_height_px) + " px");
  }
}

}  // namespace

void draw_column(Sheet& sheet, const Ruler& ruler, const model::Measurement& m, Units units,
                 const DrawingScale& scale) {
  sheet.begin_group("column");
  const double top = draw_title(sheet, ruler, m);
  rule(sheet, top);
  const std::vector<Note> below = notes(ruler, m);
  constexpr double kLine = 3.4;
  const double notes_top =
      kFootTop - (below.empty() ? 0 : 4) - kLine * static_cast<double>(below.size());
  draw_rows(sheet, ruler, rows(m.outline, units), top, notes_top - 1);
  if (!below.empty()) rule(sheet, notes_top);
  double y = notes_top + 1;
  for (const Note& note : below) {
    y += kLine;
    sheet.text({kColumnLeft, y}, note.line, {kSmallSize, style::kInk, Anchor::start, note.bold});
  }
  draw_foot(sheet, ruler, m, scale);
  sheet.end_group();
}

}  // namespace panecard::drawings
