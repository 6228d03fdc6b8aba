// Outlines and cards as bytes of open formats. Nothing here touches the disk.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "base/base.h"
#include "check/check.h"
#include "geom/geom.h"
#include "layout/layout.h"
#include "optics/optics.h"
#include "outline/outline.h"

namespace panecard::formats {

enum class Units { mm, inch };

struct CardMark {
  std::string kind;  ///< "sheet", "card", "plain"
  int id = 0;
  std::vector<PointPx> corners_px;  ///< four
};

/// One figure of the photo's quality.
struct QualityFigure {
  std::string name;  ///< "blur"
  double value = 0;
  std::string unit;
  double long_u95_mm = 0;  ///< what the box's long side would have were this as good as it gets
  std::string remedy;      ///< what to do, imperative
};

/// What the pane's face is, flat or bent; the outline is that of the developed face.
struct Face {
  double bent_probability = 0;
  double curvature_per_mm = 0, curvature_u95_per_mm = 0;  ///< the stronger, about axis_deg
  double weaker_per_mm = 0, weaker_u95_per_mm = 0;        ///< across the first
  double axis_deg = 0;                                    ///< from level in the photo
};

/// All that the result file states. `photo`, `lens` and so on are extra fields.
struct Measurement {
  std::string boundary;  ///< "glass", "solid", "dots"
  outline::Outline outline;
  Contour covariance;  ///< outline.points with their sources of error; empty: not known
  std::vector<CardMark> cards;
  std::vector<Finding> warnings;
  std::vector<QualityFigure> quality;
  Face face;
  std::string photo_name;  ///< of several photos all, with commas
  int photo_width_px = 0, photo_height_px = 0;
  std::string photo_sha256;  ///< of the first photo's file, in hex; empty: not known
  std::string lens_text;     ///< "phone-a profile, 12 photos" or "unknown lens"
  std::string verdict;       ///< how good it is, why not better, and what would help
};

std::string to_json(const Measurement& m);  ///< the contract's result file

/// What a result file tells another command.
struct StoredOutline {
  check::Shape shape;
  std::string boundary, photo_name;
  std::vector<outline::Piece> pieces;  ///< only their first, last, corner and name
  std::optional<double> bent_probability;
};
/// @retval unreadable_file, too_large
Result<StoredOutline> read_result(const std::string& path);
/// The same from bytes that are read already; `name` is for messages.
Result<StoredOutline> result_in(const std::string& bytes, const std::string& name);

/// Tells files apart that are called alike. FIPS 180-4.
using Sha256 = std::array<std::uint8_t, 32>;
Sha256 sha256(std::string_view bytes);
std::string hex(const Sha256& hash);

/// All that a result file tells but the covariance and the geometry of the pieces: those have their
/// names, ends and sizes. Without a box, its sides are those of the points, at their worst U95.
/// @retval unreadable_file, too_large
Result<Measurement> read_measurement(const std::string& path);
/// The same from bytes that are read already; `name` is for messages.
Result<Measurement> measurement_in(const std::string& bytes, const std::string& name);

/// What kind of file this is by its own word: "panecard-outline", "panecard-piece", ...
/// @retval unreadable_file, too_large
Result<std::string> read_format(const std::string& path);

std::string to_svg(const Measurement& m);  ///< the outline at true size, mm
std::string to_dxf(const Measurement& m);  ///< R12, $INSUNITS 4, layers OUTLINE, NOT_SEEN, ...
std::string to_drawing_svg(const Measurement& m, Units u);  ///< dimension drawing
std::string to_drawing_pdf(const Measurement& m, Units u);
std::string to_table(const Measurement& m, Units u);  ///< short table for a terminal
/// Per length: which source makes how much of its plus-minus, largest first, and what would help.
std::string to_budget(const Measurement& m, Units u);

/// The one action that would make the box's sides most certain.
struct Advice {
  std::string action;                        ///< "add a card at the far end of the pane"
  std::vector<std::string> sources;          ///< of outline::Outline::sources, what it acts on
  double long_u95_mm = 0, short_u95_mm = 0;  ///< if those sources vanished: no photo does better
};
std::optional<Advice> most_helpful(const outline::Outline& o);
std::string say_advice(const outline::Outline& o, const Advice& advice, Units u);

/// A pane held against a rectangle, and against a size when one was asked for.
struct CheckReport {
  std::string name, boundary;
  check::Rectangle rectangle;
  std::optional<check::Fits> fits;
  check::Blank blank;
  bool sources_known = true;
  std::vector<Finding> warnings;
};
std::string to_check_table(const CheckReport& report, Units u);
std::string to_check_json(const CheckReport& report);
std::string to_check_drawing_svg(const CheckReport& report, Units u);
std::string to_check_drawing_pdf(const CheckReport& report, Units u);
std::string say_squareness(const check::Rectangle& rectangle, Units u);  ///< one sentence
std::string say_fit(const check::Fits& fits, Units u);  ///< the verdict, why, what would help

/// One outline laid on another.
struct CompareReport {
  std::string first, second;
  bool mirrored = false;
  double tolerance_mm = 0;
  check::Comparison comparison;
  bool sources_known = true;
  std::vector<Finding> warnings;
};
std::string to_compare_table(const CompareReport& report, Units u);
std::string to_compare_json(const CompareReport& report);
std::string to_compare_drawing_svg(const CompareReport& report, Units u);
std::string to_compare_drawing_pdf(const CompareReport& report, Units u);
std::string say_comparison(const CompareReport& report, Units u);

/// 8-bit BGRA pixels, row by row, drawn on the caller's buffer. Alpha must be 255 throughout; the
/// stride is in bytes, a multiple of four.
struct Canvas {
  unsigned char* data = nullptr;
  int width = 0, height = 0, stride = 0;
  double scale = 1;  ///< canvas pixels per photo pixel
};
/// The outline, its cards and the flagged stretches, on the photo already in `canvas`.
void draw_overlay(const Canvas& canvas, const Measurement& m, Units u);

enum class Paper { a4, letter };

/// One corner or end of a cut path. The bulge is DXF's: tan(sweep / 4) of the arc to the next
/// vertex, positive counter-clockwise; 0 is a straight line.
struct CutVertex {
  PointMm at;
  double bulge = 0;
};

struct StoredSide {
  std::string name, where;          ///< "edge 3" and "top"; without names on the drawing the same
  std::size_t first = 0, last = 0;  ///< of StoredPiece::cut, going round with it
  double allowance_mm = 0;          ///< outwards, with u95_added_mm
  double u95_added_mm = 0;
  std::optional<double> u95_mm;  ///< largest of the measured outline there
};

/// A film piece as `piece` writes it and `roll` reads it. mm, y up: the pane's upright, seen from
/// the side it was photographed from.
struct StoredPiece {
  std::string name;
  std::string boundary;         ///< "glass", "solid", "dots"
  PolygonMm cut;                ///< simple, counter-clockwise
  std::vector<CutVertex> arcs;  ///< the same line in few lines and arcs, closed
  /// "any": may be turned by quarter turns; "upright": the pane's upright lies along the roll;
  /// "level": its level does. By half a turn it may always be turned.
  std::string along = "any";
  bool may_mirror = false;  ///< the film may be cut from either face
  std::string film;         ///< which it is cut from: "carbon 35"; empty: not said
  int copies = 1;
  double area_mm2 = 0;
  std::vector<StoredSide> sides;
  std::vector<Finding> findings;
};
constexpr int kMostCopies = 1000;

std::string to_piece_json(const StoredPiece& piece);
/// @retval unreadable_file, too_large  with line and column, the field, or the place in the shape
Result<StoredPiece> read_piece(const std::string& path);

enum class CutKind { cut, mark, film_edge };
struct CutPath {
  CutKind kind = CutKind::cut;
  std::vector<CutVertex> vertices;  ///< a mark of one vertex is the place of its label
  bool closed = true;
  std::string label;
  int inside_of = -1;  ///< index of the closed path around it; -1: found from the shapes
};
/// Film from the roll and what is cut out of it. Origin lower left, x along the roll, y up.
struct CutSheet {
  std::string title;
  double length_mm = 0;  ///< along x
  double width_mm = 0;   ///< along y
  std::vector<CutPath> paths;
};

// Every writer of cut files refuses what it cannot vouch for:
// @retval too_large         over 50 m, 2000 paths, 200 000 vertices or 500 pages
// @retval degenerate_shape  not finite, no shape, or beyond the sheet's edge, with the path's
// number
// @retval bad_usage         an option outside its range, or a cut beyond the machine's limits

/// 1 user unit is 1 mm, the sheet's upper left corner at (0, 0), y down. Groups film-edge, mark
/// (with the labels) and cut.
Result<std::string> to_cut_svg(const CutSheet& sheet);
/// R12, $INSUNITS 4, the sheet's own coordinates. Layers CUT, MARK (with the labels), FILM_EDGE.
Result<std::string> to_cut_dxf(const CutSheet& sheet);

struct HpglOptions {
  double units_per_mm = 40;
  PointMm offset;                ///< added to every coordinate
  double max_length_mm = 50000;  ///< along x, from 0
  double max_width_mm = 50000;   ///< along y, from 0
  double overcut_mm = 0;         ///< past the start of a closed cut, along it; at most once around
  double chord_mm = 0.02;        ///< most distance between shape and plot, rounding included
  int cut_pen = 1, mark_pen = 2;
  bool draw_marks = false;  ///< off: without a pen the knife would cut them
};
/// HP-GL: marks first, then the cuts along the roll, each after what lies inside it. The film's
/// edge and the labels are left out.
Result<std::string> to_hpgl(const CutSheet& sheet, const HpglOptions& options);

/// One page at full size with a margin of 10 mm and the check bar below.
/// @retval too_large  over 14 400 pt (5080 mm), the most a PDF page may have without UserUnit
///                    (ISO 32000-1, annex C), which Cairo does not write.
Result<std::string> to_cut_pdf_long(const CutSheet& sheet, double printed_bar_mm = 100);

struct CutTiling {
  Paper paper = Paper::a4;
  double margin_mm = 10;  ///< what the printer leaves white
  double overlap_mm = 10;
  double printed_bar_mm = 100;  ///< what the 100 mm check bar measured on paper
};
/// Full size on office paper: a map, then row by row the pages that carry something. Neighbours
/// overlap and share a cross at each corner of the overlap.
Result<std::string> to_cut_pdf_tiles(const CutSheet& sheet, const CutTiling& tiling);

/// A piece with what it was made from, both in the piece's frame.
struct PieceReport {
  StoredPiece piece;
  PolygonMm pane;         ///< the measured outline, or its twin's
  std::string pane_name;  ///< the photo's or the file's
  std::string set_title;  ///< of the ready-made allowances; empty: none
  bool mirrored = false;  ///< the twin, for the pane on the vehicle's other side
};
std::string to_piece_table(const PieceReport& report, Units u);
std::string to_piece_drawing_svg(const PieceReport& report, Units u);
std::string to_piece_drawing_pdf(const PieceReport& report, Units u);

/// The piece alone, as its `along` asks for: x along the roll, so far from the edges.
CutSheet sheet_of(const StoredPiece& piece, double margin_mm);

/// Rolls and leftovers at hand, with what the file says of them.
struct Stock {
  std::string currency;  ///< "EUR"; empty: not stated
  std::vector<layout::Film> films;
  std::string bytes;  ///< of the file as it was read
};
/// @retval unreadable_file, too_large  with line and column, or the entry and its field
Result<Stock> read_stock(const std::string& path);
/// What a job takes from a film of the stock.
struct Taken {
  std::size_t film = 0;  ///< of Stock::films, each at most once
  double used_mm = 0;
  std::vector<layout::Rectangle> rests;  ///< they come in as new leftovers
};
/// The stock file once all of that is gone; everything else in it stays as it was. What is left of
/// a leftover goes if its shorter side is less than `keep_mm`.
/// @retval does_not_fit  more is taken than is there
Result<std::string> stock_after(const Stock& stock, const std::vector<Taken>& taken,
                                double keep_mm);

/// A piece of a layout.
struct LaidPiece {
  std::string name;
  std::string along;  ///< as StoredPiece::along
  int copies = 1;
  double area_mm2 = 0;
  double level_mm = 0, upright_mm = 0;  ///< its extents
  std::optional<double> u95_mm;         ///< the pane may be so much larger or smaller either way
};
/// One copy where it lies, as the knife goes round it, in the frame of layout/layout.h.
struct LaidCopy {
  std::size_t piece = 0;  ///< of StoredLayout::pieces
  int copy = 1;           ///< from 1
  double turn_deg = 0;
  bool mirrored = false;
  std::vector<CutVertex> arcs;
};
/// What is cut from one roll or leftover.
struct StoredStrip {
  layout::Film film;
  double length_mm = 0;   ///< of film used
  double bound_mm = 0;    ///< no layout of these copies can be shorter
  bool shortest = false;  ///< proven
  double cost = 0;        ///< 0: no price stated
  double waste_mm2 = 0;
  layout::Rectangle rest;            ///< stays on the roll or leftover
  layout::Rectangle largest_within;  ///< worth keeping; 0: nothing is
  std::vector<LaidCopy> copies;
  std::vector<Finding> findings;
};
/// A film layout as `roll` writes it and `job` reads it.
struct StoredLayout {
  std::string currency;
  double gap_mm = 0, edge_mm = 0;
  std::vector<LaidPiece> pieces;
  std::vector<StoredStrip> strips;  ///< one at least
};
std::string to_layout_json(const StoredLayout& layout);
/// @retval unreadable_file, too_large  with line and column, or the field
Result<StoredLayout> read_layout(const std::string& path);

/// The film's edge, labels and cuts of one strip.
CutSheet sheet_of(const StoredLayout& layout, const StoredStrip& strip);
PolygonMm shape_of(const StoredPiece& piece);   ///< its arcs as chords within 5 um
StoredPiece twin_of(const StoredPiece& piece);  ///< x to -x; the sides' places are left out
LaidPiece laid(const StoredPiece& piece);
LaidCopy laid(const StoredPiece& piece, const layout::Placed& placed, std::size_t index, int copy);

/// Another film that would take the same pieces by itself.
struct OtherFilm {
  layout::Film film;
  double length_mm = 0, cost = 0, waste_mm2 = 0;
};
struct LayoutReport {
  StoredLayout layout;
  std::vector<OtherFilm> others;     ///< next best first
  std::vector<std::string> refused;  ///< a sentence for each film that does not take all by itself
  bool committed = false;            ///< the stock file was changed
};
std::string to_layout_table(const LayoutReport& report, Units u);
std::string to_layout_drawing_svg(const StoredLayout& layout, std::size_t strip, Units u);
std::string to_layout_drawing_pdf(const StoredLayout& layout, Units u);  ///< a page for each strip

/// A photo as the bytes of a JPEG file.
struct JobPhoto {
  std::string jpeg;
  int width_px = 0, height_px = 0;
};

struct JobPane {
  std::string name;
  Measurement measured;
  std::optional<JobPhoto> photo;  ///< with its outline drawn on it
  std::string no_photo;           ///< why there is none
};

/// What passes film and glass together, by every model that could be worked out.
struct JobLight {
  optics::Share glass, film, product;
  std::optional<optics::Share> with_gap, glued;
  bool reflectances_given = false;
};

/// The panes and film pieces of one vehicle, and how they lie on the film.
struct Job {
  std::string vehicle, date;
  std::vector<JobPane> panes;
  std::vector<StoredPiece> pieces;
  std::optional<StoredLayout> layout;
  std::vector<std::string> notes;
  std::optional<JobLight> light;
};
std::string to_job_pdf(const Job& job, Paper paper, Units u);
/// One file that asks nothing of any other place: styles, drawings and photos are in it. It is
/// XML as well as HTML.
std::string to_job_html(const Job& job, Paper paper, Units u);

/// What became of a pane of a batch.
struct BatchPane {
  std::string name;
  std::string state;                ///< "measured", "in the library already", ...
  std::string photos;               ///< their names
  std::optional<JobPhoto> picture;  ///< with the outline on it, if there is one
  std::optional<outline::Dimension> long_mm, short_mm;
  std::string verdict;
  std::vector<std::string> doubts;
};
/// What stands above all panes: each line leads to the pane of that number, counted from 1.
struct BatchLine {
  std::size_t pane = 0;
  std::string name, why;
};
struct BatchSummary {
  std::string title, date;
  std::vector<std::string> counts;
  std::vector<BatchLine> again;     ///< to photograph again
  std::vector<BatchLine> doubtful;  ///< measured, to be looked at before anything is cut
};
// The page in parts, so that nobody has to hold that of a thousand panes.
std::string to_batch_html_start(const BatchSummary& summary);
std::string to_batch_html_pane(const BatchPane& pane, std::size_t number);
std::string to_batch_html_end();

enum class CardPage { sheet, cards };
struct CardJob {
  CardPage page = CardPage::sheet;
  Paper paper = Paper::a4;
  int first_card = 0;           ///< cards: eight from this number on
  double printed_bar_mm = 100;  ///< what the 100 mm check bar measured on paper
};
/// The job, if such a page can be made.
/// @retval Code::bad_usage  a card number or a check bar outside its range, with the range.
Result<CardJob> checked(const CardJob& job);

/// The printable page of a checked job; an unchecked one that is wrong throws. `marker_bits` come
/// from the caller so that this room needs no OpenCV: marker_bits(id) gives the 7x7 modules (border
/// included), row by row, true = black.
using MarkerBits = std::vector<bool> (*)(int id);
std::string card_page_pdf(const CardJob& job, MarkerBits marker_bits);
std::string card_page_svg(const CardJob& job, MarkerBits marker_bits);

}  // namespace panecard::formats
