#include <algorithm>
#include <cmath>

#include "film/film.h"
#include "report/report.h"

namespace panecard::report {
namespace {

film::CutPath path_of(const film::FilmPiece& piece) {
  return {film::CutKind::cut, piece.arcs, true, piece.name, -1};
}

std::string table_row(const PieceSideWords& w, const std::array<std::size_t, 3>& widths) {
  return "  " + pad_right(w.name, widths[0]) + "  " + pad_left(w.allowance, widths[1]) + "  " +
         pad_left(w.added, widths[2]) + "  " + w.u95 + "\n";
}

}  // namespace

std::string say_amount(double mm, Units u) {
  constexpr double kMmPerInch = 25.4;
  const std::string digits = u == Units::mm ? fixed(mm, 1) : fixed(mm / kMmPerInch, 3);
  const bool nothing = digits.find_first_of("123456789") == std::string::npos;
  return nothing ? "0" : (mm > 0 ? "+" : "") + digits;
}

std::vector<PieceSideWords> side_words(const film::FilmPiece& piece, Units u) {
  std::vector<PieceSideWords> out;
  std::vector<std::string> told;
  for (const film::FilmSide& s : piece.sides) {
    if (std::find(told.begin(), told.end(), s.name) != told.end()) continue;
    told.push_back(s.name);
    const bool drawn = s.name != s.where && !s.where.empty();
    PieceSideWords w;
    w.name = clean(drawn ? s.name + ", " + s.where : s.name, 60);
    w.allowance = say_amount(s.allowance_mm, u);
    w.added = s.u95_added_mm > 0 ? say_amount(s.u95_added_mm, u) : "-";
    w.u95 = s.u95_mm ? "\u00b1 " + say_length({0, *s.u95_mm}, u).u95 : "not known";
    out.push_back(w);
  }
  return out;
}

PointMm size_of_piece(const film::FilmPiece& piece) { return extent_of(path_of(piece)).size(); }

std::string say_piece_size(const film::FilmPiece& piece, Units u) {
  const PointMm size = size_of_piece(piece);
  const auto said = [u](double mm) {
    constexpr double kMmPerInch = 25.4;
    return u == Units::mm ? fixed(mm, 1) : fixed(mm / kMmPerInch, 2);
  };
  return said(size.x) + " x " + said(size.y) + " " + length_unit(u);
}

std::string say_piece_area(const film::FilmPiece& piece, Units u) {
  // Exact as drawn, but film is bought by three digits of it.
  return say_area({piece.area_mm2, 1e-2 * piece.area_mm2}, u).value + " " + area_unit(u);
}

std::string say_along(const film::FilmPiece& piece) {
  if (piece.along == "upright") return "the pane's upright along the roll";
  if (piece.along == "level") return "the pane's level along the roll";
  return "may be turned by quarter turns on the roll";
}

std::string to_piece_table(const PieceReport& report, Units u) {
  const film::FilmPiece& piece = report.piece;
  std::string out = clean(piece.name, 60) + ": film for " + clean(report.pane_name, 60) + ", " +
                    boundary_words(piece.boundary) +
                    (report.mirrored ? ", mirrored for the other side" : "") + "\n";
  out += "  " + say_piece_size(piece, u) + " (width x height), " + say_piece_area(piece, u);
  out += piece.copies > 1 ? ", " + std::to_string(piece.copies) + " copies\n" : "\n";
  out += "  " + say_along(piece) + "\n";
  if (!report.set_title.empty()) out += "  " + clean(report.set_title, 200) + "\n";
  std::vector<PieceSideWords> rows = side_words(piece, u);
  rows.insert(rows.begin(),
              {"side", "cut at, " + length_unit(u), "of it for U95", "outline's U95"});
  std::array<std::size_t, 3> widths{};
  for (const PieceSideWords& w : rows) {
    widths[0] = std::max(widths[0], count_characters(w.name));
    widths[1] = std::max(widths[1], count_characters(w.allowance));
    widths[2] = std::max(widths[2], count_characters(w.added));
  }
  out += "\n";
  for (const PieceSideWords& w : rows) out += table_row(w, widths);
  out += "  + outwards from the measured outline, - inwards\n";
  for (const Finding& f : piece.findings) {
    out += "  ! " + clean(f.text, 400) + " [" + clean(f.code, 40) + "]\n";
  }
  return out;
}

}  // namespace panecard::report
