// The layout on a page to be pinned up beside the roll.
#include <vector>

#include "drawings/drawing.h"
#include "drawings/drawing_parts.h"
#include "drawings/layout_picture.h"
#include "drawings/style.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

constexpr double kLeft = 12, kRight = 285, kColumn = 152, kWordsTop = 126, kLowest = 184;

void draw_pieces(Sheet& sheet, const Ruler& ruler, const report::StripOf& of, Units u) {
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
  const std::vector<report::PieceHere> here = pieces_on(of);
  for (std::size_t k = 0; k < here.size(); ++k) {
    const film::LaidPiece& p = of.layout.pieces[here[k].piece];
    y += 4.4;
    if (y + 4.4 > kLowest && k + 1 < here.size()) {
      sheet.text({name, y}, "and " + std::to_string(here.size() - k) + " more in the layout's file",
                 quiet);
      break;
    }
    std::string words = clean(p.name, 40);
    const auto fits = [&](const std::string& s) {
      return ruler.width_mm(s, 2.6) < copies - name - 10;
    };
    if (!fits(words)) words = wrap(words, 1, fits).front();
    sheet.text({number, y}, std::to_string(here[k].piece + 1), right);
    sheet.text({name, y}, words, {2.6, style::kInk});
    sheet.text({copies, y}, here[k].copies, right);
    sheet.text({level, y}, fixed(p.level_mm / unit, u == Units::mm ? 1 : 2), right);
    sheet.text({upright, y}, fixed(p.upright_mm / unit, u == Units::mm ? 1 : 2), right);
    sheet.text({upright + 16, y}, say_size_u95(p, u), right);
  }
}

void draw_words(Sheet& sheet, const Ruler& ruler, const report::StripOf& of, Units u,
                double one_to) {
  const film::FilmStrip& strip = of.strip;
  TextColumn column(sheet, ruler, kColumn + 12, kRight);
  column.y = kWordsTop;
  column.row("film used", say_film_length(strip.length_mm, u));
  column.row("waste", say_waste(strip, u));
  if (strip.cost > 0) column.row("cost", say_cost(strip.cost, of.layout.currency));
  column.row("between pieces, along the edges",
             fixed(of.layout.gap_mm, 1) + ", " + fixed(of.layout.edge_mm, 1) + " mm");
  column.gap();
  const std::string rest = say_rest(strip, u);
  if (!rest.empty()) column.line(rest);
  column.line(say_bound(strip, u), true);
  column.gap();
  for (const Finding& f : strip.findings) {
    if (column.y > kLowest - 14) break;
    column.line(on_paper(f.text, 240));
  }
  const bool keeps = strip.largest_within.length_mm > 0;
  column.line("Drawn 1 : " + to_text(one_to, 1) + ". Orange: cut lines." +
                  (keeps ? " White: worth keeping." : ""),
              true);
}

Sheet draw(const film::FilmLayout& layout, std::size_t index, Units u) {
  const report::StripOf of{layout, layout.strips.at(index)};
  Sheet sheet(kPageWidth, kPageHeight, "Film layout, " + clean(of.strip.film.name, 120));
  const Ruler ruler;
  sheet.text({kLeft, 16}, say_film(of.strip.film, u), {4, style::kInk, Anchor::start, true});
  if (layout.strips.size() > 1) {
    sheet.text({kRight, 16},
               "strip " + std::to_string(index + 1) + " of " + std::to_string(layout.strips.size()),
               {2.8, style::kQuiet, Anchor::end});
  }
  const double one_to = draw_layout_picture(sheet, ruler, of, u, {kLeft, 24}, {kRight, 116});
  Path rule;
  rule.move({kLeft, kWordsTop - 6}).line({kRight, kWordsTop - 6});
  sheet.stroke(rule, {style::kRule, 0.2});
  draw_pieces(sheet, ruler, of, u);
  draw_words(sheet, ruler, of, u, one_to);
  draw_scale_bar(sheet, 1 / one_to, u, "on the film", kRight);
  return sheet;
}

}  // namespace

std::string to_layout_drawing_svg(const film::FilmLayout& l, std::size_t strip, Units u) {
  return draw(l, strip, u).svg();
}

std::string to_layout_drawing_pdf(const film::FilmLayout& l, Units u) {
  std::vector<Sheet> pages;
  for (std::size_t k = 0; k < l.strips.size(); ++k) pages.push_back(draw(l, k, u));
  return Sheet::pdf(pages);
}

}  // namespace panecard::drawings
