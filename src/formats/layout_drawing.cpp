// The layout on a page to be pinned up beside the roll.
#include <algorithm>

#include "formats/drawing.h"
#include "formats/drawing_parts.h"
#include "formats/layout_picture.h"
#include "formats/style.h"
#include "formats/text.h"

namespace panecard::formats {
namespace {

constexpr double kLeft = 12, kRight = 285, kColumn = 152, kWordsTop = 126, kLowest = 184;

void draw_pieces(Sheet& sheet, const Ruler& ruler, const StoredLayout& layout, Units u) {
  const double number = kLeft + 5, name = kLeft + 7, copies = 78, level = 104, upright = 128;
  double y = kWordsTop;
  const TextStyle quiet{2.6, style::kQuiet}, right{2.6, style::kInk, Anchor::end};
  TextStyle quiet_right = quiet;
  quiet_right.anchor = Anchor::end;
  sheet.text({name, y}, "piece", quiet);
  sheet.text({copies, y}, "copies", quiet_right);
  sheet.text({level, y}, "level, " + length_unit(u), quiet_right);
  sheet.text({upright, y}, "upright", quiet_right);
  sheet.text({upright + 16, y}, "U95", quiet_right);
  const double unit = u == Units::mm ? 1 : 25.4;
  for (std::size_t k = 0; k < layout.pieces.size(); ++k) {
    const LaidPiece& p = layout.pieces[k];
    y += 4.4;
    if (y + 4.4 > kLowest && k + 1 < layout.pieces.size()) {
      sheet.text({name, y},
                 "and " + std::to_string(layout.pieces.size() - k) + " more in the layout's file",
                 quiet);
      break;
    }
    std::string words = clean(p.name, 40);
    const auto fits = [&](const std::string& s) {
      return ruler.width_mm(s, 2.6) < copies - name - 8;
    };
    if (!fits(words)) words = wrap(words, 1, fits).front();
    sheet.text({number, y}, std::to_string(k + 1), right);
    sheet.text({name, y}, words, {2.6, style::kInk});
    sheet.text({copies, y}, std::to_string(p.copies), right);
    sheet.text({level, y}, fixed(p.level_mm / unit, u == Units::mm ? 1 : 2), right);
    sheet.text({upright, y}, fixed(p.upright_mm / unit, u == Units::mm ? 1 : 2), right);
    sheet.text({upright + 16, y}, say_size_u95(p, u), right);
  }
}

void draw_words(Sheet& sheet, const Ruler& ruler, const StoredLayout& layout, Units u,
                double one_to) {
  TextColumn column(sheet, ruler, kColumn + 12, kRight);
  column.y = kWordsTop;
  column.row("film used", say_film_length(layout.length_mm, u));
  column.row("waste", say_waste(layout, u));
  if (layout.cost > 0) column.row("cost", say_cost(layout.cost, layout.currency));
  column.row("between pieces, along the edges",
             fixed(layout.gap_mm, 1) + ", " + fixed(layout.edge_mm, 1) + " mm");
  column.gap();
  const std::string rest = say_rest(layout, u);
  if (!rest.empty()) column.line(rest);
  column.line(say_bound(layout, u), true);
  column.gap();
  for (const Finding& f : layout.findings) {
    if (column.y > kLowest - 14) break;
    column.line(clean(f.text, 240));
  }
  const bool keeps = layout.largest_within.length_mm > 0;
  column.line("Drawn 1 : " + to_text(one_to, 1) + ". Orange: cut lines." +
                  (keeps ? " White: worth keeping." : ""),
              true);
}

Sheet draw(const StoredLayout& layout, Units u) {
  Sheet sheet(kPageWidth, kPageHeight, "Film layout, " + clean(layout.film.name, 120));
  const Ruler ruler;
  sheet.text({kLeft, 16}, say_film(layout, u), {4, style::kInk, Anchor::start, true});
  const double one_to = draw_layout_picture(sheet, ruler, layout, u, {kLeft, 24}, {kRight, 116});
  Path rule;
  rule.move({kLeft, kWordsTop - 6}).line({kRight, kWordsTop - 6});
  sheet.stroke(rule, {style::kRule, 0.2});
  draw_pieces(sheet, ruler, layout, u);
  draw_words(sheet, ruler, layout, u, one_to);
  draw_scale_bar(sheet, 1 / one_to, u, "on the film", kRight);
  return sheet;
}

}  // namespace

std::string to_layout_drawing_svg(const StoredLayout& l, Units u) { return draw(l, u).svg(); }
std::string to_layout_drawing_pdf(const StoredLayout& l, Units u) { return draw(l, u).pdf(); }

}  // namespace panecard::formats
