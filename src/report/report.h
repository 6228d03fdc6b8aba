// Measurements, checks, film pieces and layouts as numbers, sentences and tables for a person.
// Names come from strangers' files: they are made harmless here, once.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/base.h"
#include "check/check.h"
#include "film/film.h"
#include "geom/geom.h"
#include "layout/layout.h"
#include "model/model.h"
#include "outline/outline.h"

namespace panecard::report {

/// A value rounded where its uncertainty says so: two significant digits of u95 (JCGM 100, 7.2.6).
struct Said {
  std::string value, u95;
  std::string both() const { return value + " \u00b1 " + u95; }
};
Said say(const outline::Dimension& d, int most_decimals);
Said say_length(const outline::Dimension& mm, Units units);
Said say_area(const outline::Dimension& mm2, Units units);  ///< m^2 or square feet

/// How an arc of an edge bends: by its radius; where that is not known to a quarter, and 1 /
/// curvature no longer behaves (JCGM 101, 7), by its sagitta; as straight where even that may be
/// nothing.
std::string say_bend(const outline::Piece& arc, Units units, const std::string& radius_word);

std::string length_unit(Units units);
std::string area_unit(Units units);

/// "edge of the visible glass" for "glass", and so on.
std::string boundary_words(const std::string& boundary);

/// "edge 12" -> "12": what a label on a drawing has room for.
std::string short_name(const std::string& name);

/// `clean` text that says what is meant instead of naming an option of the command line.
std::string on_paper(std::string_view text, std::size_t most);

// A measured pane.

struct NamedLength {
  std::string name;
  outline::Dimension length_mm;
};

/// Both sides of the box, the diagonals, every edge.
std::vector<NamedLength> named_lengths(const outline::Outline& o);

std::string to_table(const model::Measurement& m, Units u);  ///< short table for a terminal
/// Per length: which source makes how much of its plus-minus, largest first, and what would help.
std::string to_budget(const model::Measurement& m, Units u);

std::string say_advice(const outline::Outline& o, const outline::Advice& advice, Units u);

/// How good an outline is, why not better, and what would help most.
std::string verdict_on(const outline::Outline& outline, Units u);

// A check.

/// A pane held against a rectangle, and against a size when one was asked for.
struct CheckReport {
  std::string name, boundary;
  check::Rectangle rectangle;
  std::optional<check::Fits> fits;
  check::Blank blank;
  bool sources_known = true;
  std::vector<Finding> warnings;
};

/// One outline laid on another.
struct CompareReport {
  std::string first, second;
  bool mirrored = false;
  double tolerance_mm = 0;
  check::Comparison comparison;
  bool sources_known = true;
  std::vector<Finding> warnings;
};

std::string to_check_table(const CheckReport& report, Units u);

std::string say_squareness(const check::Rectangle& rectangle, Units u);  ///< one sentence
std::string say_fit(const check::Fits& fits, Units u);  ///< the verdict, why, what would help

std::string to_compare_table(const CompareReport& report, Units u);

std::string say_comparison(const CompareReport& report, Units u);

/// "add a card at the far end of the pane", or to measure by hand where no photo helps.
std::string what_would_help(const check::Value& value);

std::string say_blank(const check::Blank& blank, Units u);

// A film piece.

/// A piece with what it was made from, both in the piece's frame.
struct PieceReport {
  film::FilmPiece piece;
  PolygonMm pane;         ///< the measured outline, or its twin's
  std::string pane_name;  ///< the photo's or the file's
  std::string set_title;  ///< of the ready-made allowances; empty: none
  bool mirrored = false;  ///< the twin, for the pane on the vehicle's other side
};

struct PieceSideWords {
  std::string name, allowance, added, u95;
};
/// One for each side, even where its cut line is interrupted.
std::vector<PieceSideWords> side_words(const film::FilmPiece& piece, Units u);

std::string say_amount(double mm, Units u);  ///< signed, without unit
PointMm size_of_piece(const film::FilmPiece& piece);
std::string say_piece_size(const film::FilmPiece& piece, Units u);
std::string say_piece_area(const film::FilmPiece& piece, Units u);
std::string say_along(const film::FilmPiece& piece);

std::string to_piece_table(const PieceReport& report, Units u);

// A film layout.

/// A strip of a layout.
struct StripOf {
  const film::FilmLayout& layout;
  const film::FilmStrip& strip;
};

/// Another film that would take the same pieces by itself.
struct OtherFilm {
  layout::Film film;
  double length_mm = 0, cost = 0, waste_mm2 = 0;
};
struct LayoutReport {
  film::FilmLayout layout;
  std::vector<OtherFilm> others;     ///< next best first
  std::vector<std::string> refused;  ///< a sentence for each film that does not take all by itself
  bool committed = false;            ///< the stock file was changed
};

/// "4160 mm" or "163.78 in (163 3/4)".
std::string say_film_length(double mm, Units units);
std::string say_film_rectangle(const layout::Rectangle& r, Units units);  ///< along x across
std::string say_film(const layout::Film& film, Units units);              ///< name, kind, width
/// "strip 2 of 3: " where there are several, else nothing.
std::string say_which(const film::FilmLayout& layout, std::size_t strip);
std::string say_waste(const film::FilmStrip& strip, Units units);
std::string say_cost(double cost, const std::string& currency);
/// What all strips cost together; empty where one of them states no price or there is but one.
std::string say_cost_in_all(const film::FilmLayout& layout);
std::string say_rest(const film::FilmStrip& strip, Units units);   ///< one sentence
std::string say_bound(const film::FilmStrip& strip, Units units);  ///< how good the layout is

/// A piece of which copies lie on a strip.
struct PieceHere {
  std::size_t piece = 0;  ///< of layout.pieces
  std::string copies;     ///< "2", or "1 of 2" where the others lie elsewhere
};
std::vector<PieceHere> pieces_on(const StripOf& of);

/// Whether a piece fits the width, both ways round.
struct PieceWays {
  std::string level, upright;  ///< across the film, and yes, no or why one cannot tell
};
std::string say_size_u95(const film::LaidPiece& piece, Units units);
PieceWays say_ways(const film::LaidPiece& piece, const StripOf& of, Units units);

std::string to_layout_table(const LayoutReport& report, Units u);

}  // namespace panecard::report
