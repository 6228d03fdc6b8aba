#include <algorithm>
#include <cmath>

#include "report/report.h"

namespace panecard::report {
namespace {

constexpr double kMmPerInch = 25.4;

}  // namespace

std::string say_film_length(double mm, Units u) {
  if (u == Units::mm) return fixed(mm, 0) + " mm";
  return fixed(mm / kMmPerInch, 2) + " in (" + to_sixteenths(mm) + ")";
}

std::string say_film_rectangle(const layout::Rectangle& r, Units u) {
  if (u == Units::mm) return fixed(r.length_mm, 0) + " x " + fixed(r.width_mm, 0) + " mm";
  return fixed(r.length_mm / kMmPerInch, 1) + " x " + fixed(r.width_mm / kMmPerInch, 1) + " in";
}

std::string say_film(const layout::Film& film, Units u) {
  std::string out = clean(film.name, 60);
  if (!film.kind.empty()) out += ", " + clean(film.kind, 60);
  return out + ", " + say_film_length(film.width_mm, u) + " wide";
}

std::string say_which(const film::FilmLayout& layout, std::size_t strip) {
  if (layout.strips.size() == 1) return {};
  return "strip " + std::to_string(strip + 1) + " of " + std::to_string(layout.strips.size()) +
         ": ";
}

std::string say_waste(const film::FilmStrip& strip, Units u) {
  const double film = std::max(strip.film.width_mm * strip.length_mm, 1.0);
  return say_area({strip.waste_mm2, 1e-2 * film}, u).value + " " + area_unit(u) + ", " +
         fixed(100 * strip.waste_mm2 / film, 0) + " % of the film used";
}

std::string say_cost(double cost, const std::string& currency) {
  return fixed(cost, 2) + (currency.empty() ? "" : " " + clean(currency, 12));
}

std::string say_cost_in_all(const film::FilmLayout& layout) {
  double sum = 0;
  for (const film::FilmStrip& strip : layout.strips) {
    if (!strip.film.leftover && strip.cost <= 0) return {};
    sum += strip.cost;
  }
  return layout.strips.size() > 1 && sum > 0 ? say_cost(sum, layout.currency) : std::string();
}

std::string say_rest(const film::FilmStrip& strip, Units u) {
  std::string out;
  if (strip.film.length_mm > 0) {
    out = say_film_length(strip.rest.length_mm, u) + " stay on " + clean(strip.film.name, 60);
  }
  if (strip.largest_within.length_mm > 0) {
    out += (out.empty() ? "" : "; ") + say_film_rectangle(strip.largest_within, u) +
           " between the pieces are worth keeping";
  }
  return out;
}

std::string say_bound(const film::FilmStrip& strip, Units u) {
  if (strip.shortest) return "no layout of these pieces is shorter";
  return "no layout can be shorter than " + say_film_length(strip.bound_mm, u);
}

std::vector<PieceHere> pieces_on(const StripOf& of) {
  std::vector<PieceHere> out;
  for (std::size_t k = 0; k < of.layout.pieces.size(); ++k) {
    const auto here = std::count_if(of.strip.copies.begin(), of.strip.copies.end(),
                                    [&](const film::LaidCopy& c) { return c.piece == k; });
    if (here == 0) continue;
    const int all = of.layout.pieces[k].copies;
    out.push_back({k, std::to_string(here) + (here < all ? " of " + std::to_string(all) : "")});
  }
  return out;
}

std::string say_size_u95(const film::LaidPiece& piece, Units u) {
  if (!piece.u95_mm) return "not known";
  return *piece.u95_mm > 0 ? "\u00b1 " + say_length({0, *piece.u95_mm}, u).u95 : "added";
}

PieceWays say_ways(const film::LaidPiece& piece, const StripOf& of, Units u) {
  const double usable = of.strip.film.width_mm - 2 * of.layout.edge_mm;
  const double unit = u == Units::mm ? 1 : kMmPerInch;
  const auto say = [&](double across, bool allowed) {
    const std::string size = fixed(across / unit, u == Units::mm ? 1 : 2);
    if (across > usable) return size + " too wide";
    if (!allowed) return size + " not this way";
    if (piece.u95_mm && across + *piece.u95_mm > usable) return size + " fits barely";
    return size + " fits";
  };
  return {say(piece.upright_mm, piece.along != "upright"),
          say(piece.level_mm, piece.along != "level")};
}

}  // namespace panecard::report
