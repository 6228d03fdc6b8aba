#include <algorithm>
#include <array>

#include "report/report.h"

namespace panecard::report {
namespace {

using Row = std::array<std::string, 5>;

std::string piece_rows(const StripOf& of, Units u) {
  const bool wide = of.layout.pieces.size() > 9;
  std::vector<Row> rows = {
      {wide ? "    piece" : "   piece", "copies", "lying level", "standing upright", "its U95"}};
  for (const PieceHere& here : pieces_on(of)) {
    const film::LaidPiece& p = of.layout.pieces[here.piece];
    const PieceWays ways = say_ways(p, of, u);
    rows.push_back(
        {pad_left(std::to_string(here.piece + 1), wide ? 2 : 1) + "  " + clean(p.name, 40),
         here.copies, ways.level, ways.upright, say_size_u95(p, u)});
  }
  std::array<std::size_t, 5> widths{};
  for (const Row& row : rows) {
    for (std::size_t c = 0; c < row.size(); ++c) {
      widths[c] = std::max(widths[c], count_characters(row[c]));
    }
  }
  std::string out = "\n  across the film, " + length_unit(u) + "\n";
  for (const Row& row : rows) {
    out += "  " + pad_right(row[0], widths[0]) + "  " + pad_left(row[1], widths[1]);
    for (std::size_t c = 2; c < 4; ++c) out += "  " + pad_right(row[c], widths[c]);
    out += "  " + row[4] + "\n";
  }
  return out;
}

std::string other_rows(const LayoutReport& report, Units u) {
  std::string out;
  for (const OtherFilm& o : report.others) {
    out += "  " + clean(o.film.name, 40) + ": " + say_film_length(o.film.width_mm, u) + " wide, " +
           say_film_length(o.length_mm, u) + " of it";
    if (o.cost > 0) out += ", " + say_cost(o.cost, report.layout.currency);
    out += o.film.leftover ? ", a leftover\n" : "\n";
  }
  return out.empty() ? out : "\n  other film that would do by itself\n" + out;
}

std::string strip_part(const film::FilmLayout& layout, std::size_t index, Units u) {
  const StripOf of{layout, layout.strips[index]};
  const film::FilmStrip& s = of.strip;
  std::string out = say_which(layout, index) + say_film(s.film, u) +
                    (s.film.leftover ? ", a leftover: " : ": ") + say_film_length(s.length_mm, u) +
                    " of it\n";
  out += "  waste " + say_waste(s, u) + "\n";
  if (s.cost > 0) out += "  " + say_cost(s.cost, layout.currency) + "\n";
  out += "  " + say_bound(s, u) + "\n";
  const std::string rest = say_rest(s, u);
  if (!rest.empty()) out += "  " + rest + "\n";
  out += piece_rows(of, u);
  for (const Finding& f : s.findings) {
    out += "  ! " + clean(f.text, 400) + " [" + clean(f.code, 40) + "]\n";
  }
  return out;
}

}  // namespace

std::string to_layout_table(const LayoutReport& report, Units u) {
  const film::FilmLayout& l = report.layout;
  std::string out;
  for (std::size_t k = 0; k < l.strips.size(); ++k) {
    out += (k > 0 ? "\n" : "") + strip_part(l, k, u);
  }
  const std::string cost = say_cost_in_all(l);
  if (!cost.empty()) out += "\n  all strips together: " + cost + "\n";
  out += other_rows(report, u);
  if (!report.refused.empty()) out += "\n  will not do by itself\n";
  for (const std::string& why : report.refused) out += "  " + clean(why, 300) + "\n";
  if (report.committed) out += "\n  taken from the stock\n";
  return out;
}

}  // namespace panecard::report
