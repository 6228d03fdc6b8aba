#include <algorithm>
#include <cmath>
#include <numeric>

#include "drawings/cut_drawing.h"
#include "drawings/cut_tiles.h"
#include "drawings/drawings.h"
#include "drawings/style.h"
#include "drawings/true_print.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

constexpr const char* kHowToPrint =
    "Print at 100 % (actual size, no fit to page): the bar must measure 100.0 mm.";

// The film's edge must not look like a line to trim along.
CutPens full_size_pens() { return {0.35, 0.25, 0.25, {4, 2}}; }

std::string size_words(const film::CutSheet& sheet) {
  return "film " + fixed(sheet.length_mm, 1) + " \u00d7 " + fixed(sheet.width_mm, 1) + " mm";
}

std::string title_of(const film::CutSheet& sheet) {
  return "Cut sheet at full size, " + clean(sheet.title, 120);
}

// As many characters as the width holds.
std::string fitted(const Ruler& ruler, const std::string& text, double size_mm, double width_mm) {
  std::string out = text;
  for (std::size_t n = count_characters(text); n > 1 && ruler.width_mm(out, size_mm) > width_mm;) {
    out = clean(text, --n);
  }
  return out;
}

}  // namespace

Result<std::string> to_cut_pdf_long(const film::CutSheet& sheet, double printed_bar_mm) {
  constexpr double kMargin = 10;
  constexpr double kFoot = 16;
  constexpr double kLeastWidth = 250;  // the words beside the check bar
  constexpr double kMostPage = 14400 * 25.4 / 72;
  if (const std::optional<Error> wrong = wrong_with(sheet)) return *wrong;
  if (const std::optional<Error> wrong = wrong_bar(printed_bar_mm)) return *wrong;
  const double factor = kCheckBar / printed_bar_mm;
  const double width = std::max(sheet.length_mm + 2 * kMargin, kLeastWidth);
  const double height = sheet.width_mm + 2 * kMargin + kFoot;
  if (factor * std::max(width, height) > kMostPage) {
    return Error{Code::too_large, "one page of " + fixed(factor * width, 0) + " x " +
                                      fixed(factor * height, 0) +
                                      " mm with its margin: a PDF page may have 5080 mm; make "
                                      "tiles instead, or cut the film in parts"};
  }
  // A page that grows with the correction: its own corner stays.
  const TruePrint truth(printed_bar_mm, 0, 0);
  Sheet page(factor * width, factor * height, title_of(sheet));
  std::vector<std::size_t> all(sheet.paths.size());
  std::iota(all.begin(), all.end(), std::size_t{0});
  draw_cut_sheet(page, sheet, all, words_on(sheet),
                 {truth({kMargin, kMargin + sheet.width_mm}), factor}, full_size_pens());
  const double y = sheet.width_mm + 2 * kMargin + 3;
  const Ruler ruler;
  draw_check_bar(page, truth, {width - kMargin - 66, y});
  page.text(truth({width - kMargin - 66, y + 5.6}), kHowToPrint,
            {2.3, style::kQuiet, Anchor::middle});
  page.text(truth({kMargin, y + 0.9}), fitted(ruler, clean(sheet.title, 120), 3.4, width - 170),
            {3.4, style::kInk, Anchor::start, true});
  page.text(truth({kMargin, y + 5.6}), size_words(sheet), {2.5, style::kQuiet});
  return page.pdf();
}

namespace {

struct Book {
  const film::CutSheet& sheet;
  const CutTiling& tiling;
  const Tiles& tiles;
  std::vector<CutWords> words;
  Ruler ruler = {};
};

// Where neighbours meet: a line right through the crosses, so that a page trimmed along it lies
// with its edge on the other page's line. It carries the neighbour's name, beyond the line.
void draw_joins(Sheet& page, const Book& book, const Tile& tile, const TruePrint& truth) {
  const Tiles& t = book.tiles;
  const double m = book.tiling.margin_mm;
  const double half = book.tiling.overlap_mm / 2;
  const double right = m + t.window_width;
  const double bottom = m + t.window_height;
  const PagePoint middle{(m + right) / 2, (m + bottom) / 2};
  Path lines;
  const auto side = [&](int column, int row, PagePoint a, PagePoint b, PagePoint name_at,
                        double turn_deg) {
    const Tile* neighbour = t.find(column, row);
    if (neighbour == nullptr) return;
    lines.move(truth(a)).line(truth(b));
    const double size = std::min(2.6, 0.5 * half);
    const PagePoint base = turn_deg == 0 ? PagePoint{0, 0.36 * size} : PagePoint{0.36 * size, 0};
    page.text(truth(name_at + base), neighbour->name(),
              {size, style::kQuiet, Anchor::middle, false, turn_deg});
  };
  page.begin_group("joins");
  side(tile.column - 1, tile.row, {m + half, m}, {m + half, bottom}, {m + half / 2, middle.y}, -90);
  side(tile.column + 1, tile.row, {right - half, m}, {right - half, bottom},
       {right - half / 2, middle.y}, -90);
  side(tile.column, tile.row - 1, {m, m + half}, {right, m + half}, {middle.x, m + half / 2}, 0);
  side(tile.column, tile.row + 1, {m, bottom - half}, {right, bottom - half},
       {middle.x, bottom - half / 2}, 0);
  page.stroke(lines, {style::kRule, 0.2});
  Path crosses;
  const double arm = std::min(half, 4.0);
  for (const double x : {m + half, right - half}) {
    for (const double y : {m + half, bottom - half}) {
      crosses.move(truth({x - arm, y})).line(truth({x + arm, y}));
      crosses.move(truth({x, y - arm})).line(truth({x, y + arm}));
    }
  }
  page.stroke(crosses, {style::kInk, 0.2});
  page.end_group();
}

void draw_foot(Sheet& page, const Book& book, const Tile& tile, const TruePrint& truth) {
  const double m = book.tiling.margin_mm;
  const double right = m + book.tiles.window_width;
  const double y = m + book.tiles.window_height + 7;
  const PagePoint bar{right - 66, y};
  page.text(truth({m, y + 2.6}), tile.name(), {7, style::kInk, Anchor::start, true});
  const double left = m + book.ruler.width_mm(tile.name(), 7, true) + 3;
  const double room = bar.x - kCheckBar / 2 - 22 - left;
  if (room > 8) {
    page.text(truth({left, y - 0.6}), fitted(book.ruler, clean(book.sheet.title, 120), 2.3, room),
              {2.3, style::kQuiet});
    page.text(truth({left, y + 2.6}), fitted(book.ruler, size_words(book.sheet), 2.3, room),
              {2.3, style::kQuiet});
  }
  draw_check_bar(page, truth, bar);
  page.text(truth(bar + PagePoint{0, 5.2}), kHowToPrint, {2.3, style::kQuiet, Anchor::middle});
}

Sheet tile_page(const Book& book, const Tile& tile) {
  const Tiles& t = book.tiles;
  const double m = book.tiling.margin_mm;
  Sheet page(t.paper_width, t.paper_height, tile.name());
  const TruePrint truth(book.tiling.printed_bar_mm, t.paper_width, t.paper_height);
  const PointMm corner = t.upper_left(tile.column, tile.row);
  draw_joins(page, book, tile, truth);
  page.begin_clip(truth({m, m}), truth(t.window_width), truth(t.window_height));
  std::vector<CutWords> words;
  for (const std::size_t i : tile.words) words.push_back(book.words[i]);
  draw_cut_sheet(page, book.sheet, tile.paths, words,
                 {truth({m - corner.x, m + corner.y}), truth(1.0)}, full_size_pens());
  page.end_group();
  draw_foot(page, book, tile, truth);
  return page;
}

void dimension(Sheet& page, PagePoint a, PagePoint b, const std::string& words) {
  const bool level = a.y == b.y;
  Path lines;
  lines.move(a).line(b);
  Path ticks;
  for (const PagePoint end : {a, b}) {
    ticks.move(end + PagePoint{-0.8, 0.8}).line(end + PagePoint{0.8, -0.8});
  }
  page.stroke(lines, {style::kQuiet, 0.18});
  page.stroke(ticks, {style::kInk, 0.4, {}, true});
  const PagePoint middle = 0.5 * (a + b);
  page.text(middle + (level ? PagePoint{0, -1.4} : PagePoint{-1.4, 0}), words,
            {3.4, style::kInk, Anchor::middle, false, level ? 0.0 : -90.0});
}

// The grid cut at the joins, as the pages lie when they are taped.
void draw_grid(Sheet& page, const Book& book, const SheetPlace& place) {
  const Tiles& t = book.tiles;
  Path blank;
  Path frames;
  for (int row = 0; row < t.rows; ++row) {
    for (int column = 0; column < t.columns; ++column) {
      const PagePoint a = place(t.cross(column, row));
      const PagePoint b = place(t.cross(column + 1, row + 1));
      frames.rectangle(a, b.x - a.x, b.y - a.y);
      if (t.find(column, row) == nullptr) blank.rectangle(a, b.x - a.x, b.y - a.y);
    }
  }
  page.begin_group("pages");
  page.fill(blank, style::kRulePale);
  page.stroke(frames, {style::kRule, 0.2});
  page.end_group();
}

void draw_names(Sheet& page, const Book& book, const SheetPlace& place) {
  const Tiles& t = book.tiles;
  const PagePoint step = place(t.cross(1, 1)) - place(t.cross(0, 0));
  const double size = std::clamp(0.3 * std::min(step.x, step.y), 0.8, 3.0);
  for (const Tile& tile : t.printed) {
    const PagePoint corner = place(t.cross(tile.column, tile.row));
    page.text(corner + PagePoint{0.35 * size, 1.05 * size}, tile.name(), {size, style::kQuiet});
  }
}

std::vector<std::string> instructions(const Book& book) {
  const Tiles& t = book.tiles;
  const std::size_t blank =
      static_cast<std::size_t>(t.columns) * static_cast<std::size_t>(t.rows) - t.printed.size();
  std::vector<std::string> out;
  out.push_back(
      std::to_string(t.printed.size()) + " pages, row by row. " +
      (blank == 0 ? "None is blank."
                  : "Grey on the map: " + std::to_string(blank) + " blank pages, left out here."));
  out.emplace_back(
      "Print at 100 % (actual size, no fit to page). On every page the bar must "
      "measure 100.0 mm with a steel rule.");
  if (book.tiling.printed_bar_mm == kCheckBar) {
    out.back() += " If not, make these pages again with --printed-bar and the length you measured.";
  } else {
    out.back() += " Corrected for a printer whose bar came out " +
                  to_text(book.tiling.printed_bar_mm, 3) + " mm.";
  }
  out.emplace_back(
      "Trim the left and the upper edge along the grey line, where there is one. Lay "
      "the page over its neighbours to the left and above, cross on cross, and tape.");
  out.push_back("From cross to cross: " + fixed(t.step_x, 2) + " mm across and " +
                fixed(t.step_y, 2) +
                " mm down on every page, and that many times it over several.");
  return out;
}

Sheet map_page(const Book& book) {
  constexpr double kMargin = 15;
  constexpr double kTop = 34;
  constexpr double kWords = 56;
  const Tiles& t = book.tiles;
  Sheet page(t.paper_width, t.paper_height, title_of(book.sheet));
  page.text({kMargin, 19}, "Cut sheet at full size", {5, style::kInk, Anchor::start, true});
  const double room = t.paper_width - 2 * kMargin;
  page.text({kMargin, 25}, fitted(book.ruler, clean(book.sheet.title, 120), 3.4, room),
            {3.4, style::kQuiet});
  const PointMm low = t.cross(0, t.rows);
  const PointMm high = t.cross(t.columns, 0);
  const double left = kMargin + 9;  // the width's dimension stands beside it
  const double scale = std::min((t.paper_width - kMargin - left) / (high.x - low.x),
                                (t.paper_height - kWords - kTop - 9) / (high.y - low.y));
  const SheetPlace place{{left - scale * low.x, kTop + scale * high.y}, scale};
  draw_grid(page, book, place);
  std::vector<std::size_t> all(book.sheet.paths.size());
  std::iota(all.begin(), all.end(), std::size_t{0});
  draw_cut_sheet(page, book.sheet, all, {}, place, {0.3, 0.15, 0.15});
  draw_names(page, book, place);
  const double y = kTop + scale * (high.y - low.y) + 6;
  dimension(page, {place({0, 0}).x, y}, {place({book.sheet.length_mm, 0}).x, y},
            fixed(book.sheet.length_mm, 1) + " mm");
  dimension(page, {left - 4, place({0, 0}).y}, {left - 4, place({0, book.sheet.width_mm}).y},
            fixed(book.sheet.width_mm, 1) + " mm");
  double line = y + 12;
  int number = 0;
  for (const std::string& words : instructions(book)) {
    if (number > 0) {
      page.text({kMargin, line}, std::to_string(number), {2.8, style::kInk, Anchor::start, true});
    }
    ++number;
    for (const std::string& part : wrap(words, 4, [&](const std::string& s) {
           return book.ruler.width_mm(s, 2.8) <= room - 5;
         })) {
      page.text({kMargin + 5, line}, part, {2.8, style::kInk});
      line += 4.2;
    }
    line += 1.2;
  }
  page.text({kMargin + 5, line + 2}, "Check against the glass before you cut.",
            {3.4, style::kInk, Anchor::start, true});
  page.text({kMargin + 5, line + 6.4},
            "Blades and broken glass injure; local law decides which panes may carry film.",
            {2.5, style::kQuiet});
  return page;
}

}  // namespace

Result<std::string> to_cut_pdf_tiles(const film::CutSheet& sheet, const CutTiling& tiling) {
  if (const std::optional<Error> wrong = wrong_with(sheet)) return *wrong;
  if (const std::optional<Error> wrong = wrong_bar(tiling.printed_bar_mm)) return *wrong;
  const std::vector<CutWords> words = words_on(sheet);
  const Result<Tiles> tiles = tile(sheet, tiling, words);
  if (!tiles.ok()) return tiles.error();
  const Book book{sheet, tiling, tiles.value(), words};
  std::vector<Sheet> pages;
  pages.reserve(tiles->printed.size() + 1);
  pages.push_back(map_page(book));
  for (const Tile& each : tiles->printed) pages.push_back(tile_page(book, each));
  return Sheet::pdf(pages);
}

}  // namespace panecard::drawings
