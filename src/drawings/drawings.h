// Outlines, film pieces, layouts and cards as drawings, cut files, full-size prints and pages for a
// browser. Nothing here touches the disk.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "base/base.h"
#include "film/film.h"
#include "geom/geom.h"
#include "model/model.h"
#include "optics/optics.h"
#include "outline/outline.h"
#include "report/report.h"

namespace panecard::drawings {

std::string to_svg(const model::Measurement& m);  ///< the outline at true size, mm
std::string to_dxf(
    const model::Measurement& m);  ///< R12, $INSUNITS 4, layers OUTLINE, NOT_SEEN, ...
std::string to_drawing_svg(const model::Measurement& m, Units u);  ///< dimension drawing
std::string to_drawing_pdf(const model::Measurement& m, Units u);

/// 8-bit BGRA pixels, row by row, drawn on the caller's buffer. Alpha must be 255 throughout; the
/// stride is in bytes, a multiple of four.
struct Canvas {
  unsigned char* data = nullptr;
  int width = 0, height = 0, stride = 0;
  double scale = 1;  ///< canvas pixels per photo pixel
};
/// The outline, its cards and the flagged stretches, on the photo already in `canvas`.
void draw_overlay(const Canvas& canvas, const model::Measurement& m, Units u);

std::string to_check_drawing_svg(const report::CheckReport& report, Units u);
std::string to_check_drawing_pdf(const report::CheckReport& report, Units u);

std::string to_compare_drawing_svg(const report::CompareReport& report, Units u);
std::string to_compare_drawing_pdf(const report::CompareReport& report, Units u);

enum class Paper { a4, letter };

// Every writer of cut files refuses what it cannot vouch for:
// @retval too_large         over 50 m, 2000 paths, 200 000 vertices or 500 pages
// @retval degenerate_shape  not finite, no shape, or beyond the sheet's edge, with the path's
// number
// @retval bad_usage         an option outside its range, or a cut beyond the machine's limits

/// 1 user unit is 1 mm, the sheet's upper left corner at (0, 0), y down. Groups film-edge, mark
/// (with the labels) and cut.
Result<std::string> to_cut_svg(const film::CutSheet& sheet);
/// R12, $INSUNITS 4, the sheet's own coordinates. Layers CUT, MARK (with the labels), FILM_EDGE.
Result<std::string> to_cut_dxf(const film::CutSheet& sheet);

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
Result<std::string> to_hpgl(const film::CutSheet& sheet, const HpglOptions& options);

/// One page at full size with a margin of 10 mm and the check bar below.
/// @retval too_large  over 14 400 pt (5080 mm), the most a PDF page may have without UserUnit
///                    (ISO 32000-1, annex C), which Cairo does not write.
Result<std::string> to_cut_pdf_long(const film::CutSheet& sheet, double printed_bar_mm = 100);

struct CutTiling {
  Paper paper = Paper::a4;
  double margin_mm = 10;  ///< what the printer leaves white
  double overlap_mm = 10;
  double printed_bar_mm = 100;  ///< what the 100 mm check bar measured on paper
};
/// Full size on office paper: a map, then row by row the pages that carry something. Neighbours
/// overlap and share a cross at each corner of the overlap.
Result<std::string> to_cut_pdf_tiles(const film::CutSheet& sheet, const CutTiling& tiling);

std::string to_piece_drawing_svg(const report::PieceReport& report, Units u);
std::string to_piece_drawing_pdf(const report::PieceReport& report, Units u);

std::string to_layout_drawing_svg(const film::FilmLayout& layout, std::size_t strip, Units u);
std::string to_layout_drawing_pdf(const film::FilmLayout& layout,
                                  Units u);  ///< a page for each strip

/// A photo as the bytes of a JPEG file.
struct JobPhoto {
  std::string jpeg;
  int width_px = 0, height_px = 0;
};

struct JobPane {
  std::string name;
  model::Measurement measured;
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
  std::vector<film::FilmPiece> pieces;
  std::optional<film::FilmLayout> layout;
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

}  // namespace panecard::drawings
