#include "drawings/cut_tiles.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "drawings/true_print.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

constexpr double kFoot = 14;  // page name and check bar, below the window
constexpr double kLineWidth = 0.5;
constexpr double kChord = 0.05;  // well under half an overlap
constexpr std::size_t kMostPages = 500;
constexpr int kMostCells = 4000;
constexpr std::size_t kMostDrawn = 2000000;  // corners, over all pages

int pages_along(double length, double window, double overlap) {
  return std::max(1, static_cast<int>(std::ceil((length - overlap) / (window - overlap) - 1e-9)));
}

Tiles lay_out(const film::CutSheet& sheet, const CutTiling& tiling, double width, double height) {
  Tiles t;
  t.paper_width = width;
  t.paper_height = height;
  t.window_width = width - 2 * tiling.margin_mm;
  t.window_height = height - 2 * tiling.margin_mm - kFoot;
  t.step_x = t.window_width - tiling.overlap_mm;
  t.step_y = t.window_height - tiling.overlap_mm;
  t.half_overlap = tiling.overlap_mm / 2;
  // A line on the sheet's edge must not fall on a window's edge.
  const double length = sheet.length_mm + 2 * kLineWidth;
  const double across = sheet.width_mm + 2 * kLineWidth;
  t.columns = pages_along(length, t.window_width, tiling.overlap_mm);
  t.rows = pages_along(across, t.window_height, tiling.overlap_mm);
  const double covered_x = t.columns * t.step_x + tiling.overlap_mm;
  const double covered_y = t.rows * t.step_y + tiling.overlap_mm;
  t.first = {(sheet.length_mm - covered_x) / 2, (sheet.width_mm + covered_y) / 2};
  return t;
}

// Liang-Barsky: does any of the chord lie in the rectangle?
bool crosses_rectangle(PointMm a, PointMm b, PointMm low, PointMm high) {
  double from = 0;
  double to = 1;
  const PointMm d = b - a;
  const auto cut = [&](double way, double room) {
    if (way == 0) return room >= 0;
    const double t = room / way;
    (way > 0 ? to : from) = way > 0 ? std::min(to, t) : std::max(from, t);
    return from <= to;
  };
  return cut(d.x, high.x - a.x) && cut(-d.x, a.x - low.x) && cut(d.y, high.y - a.y) &&
         cut(-d.y, a.y - low.y);
}

struct Range {
  int first_column, last_column, first_row, last_row;
};

// The cells whose windows come near the extent.
Range cells_near(const Tiles& t, PointMm low, PointMm high) {
  const auto index = [](double v, int count) {
    return static_cast<int>(std::clamp(std::floor(v), 0.0, static_cast<double>(count - 1)));
  };
  return {index((low.x - t.first.x - t.window_width) / t.step_x, t.columns),
          index((high.x - t.first.x) / t.step_x + 1, t.columns),
          index((t.first.y - high.y - t.window_height) / t.step_y, t.rows),
          index((t.first.y - low.y) / t.step_y + 1, t.rows)};
}

struct Cells {
  explicit Cells(const Tiles& t)
      : columns(t.columns), all(static_cast<std::size_t>(t.columns) * t.rows) {}
  struct Cell {
    std::vector<std::size_t> paths, words;
    bool carries = false;
  };
  Cell& at(int column, int row) {
    return all[static_cast<std::size_t>(row) * static_cast<std::size_t>(columns) +
               static_cast<std::size_t>(column)];
  }
  int columns;
  std::vector<Cell> all;
};

template <typename Test, typename Visit>
void each_window(const Tiles& t, PointMm low, PointMm high, Test test, Visit visit) {
  const PointMm wide{kLineWidth, kLineWidth};
  const Range range = cells_near(t, low, high);
  for (int row = range.first_row; row <= range.last_row; ++row) {
    for (int column = range.first_column; column <= range.last_column; ++column) {
      const PointMm corner = t.upper_left(column, row);
      const PointMm window_low = PointMm{corner.x, corner.y - t.window_height} - wide;
      const PointMm window_high = PointMm{corner.x + t.window_width, corner.y} + wide;
      if (test(window_low, window_high)) visit(column, row);
    }
  }
}

void enter_path(Cells& cells, const Tiles& t, const film::CutSheet& sheet, std::size_t path) {
  const film::CutPath& p = sheet.paths[path];
  PolygonMm chords = flatten(p, kChord);
  if (chords.empty()) return;
  if (p.closed) chords.push_back(chords.front());
  for (std::size_t i = 1; i < chords.size(); ++i) {
    const PointMm a = chords[i - 1];
    const PointMm b = chords[i];
    each_window(
        t, {std::min(a.x, b.x), std::min(a.y, b.y)}, {std::max(a.x, b.x), std::max(a.y, b.y)},
        [&](PointMm low, PointMm high) { return crosses_rectangle(a, b, low, high); },
        [&](int column, int row) {
          Cells::Cell& cell = cells.at(column, row);
          if (cell.paths.empty() || cell.paths.back() != path) cell.paths.push_back(path);
          cell.carries = cell.carries || p.kind != film::CutKind::film_edge;
        });
  }
}

// Words are drawn wherever they reach; the page with their middle is printed for their sake alone.
void enter_words(Cells& cells, const Tiles& t, const std::vector<CutWords>& words, std::size_t i) {
  const film::LabelPlace& place = words[i].place;
  const double reach = 0.4 * place.height_mm * static_cast<double>(count_characters(words[i].text));
  const PointMm half{reach, place.height_mm};
  const PointMm low = place.middle - half;
  const PointMm high = place.middle + half;
  each_window(
      t, low, high,
      [&](PointMm a, PointMm b) {
        return low.x <= b.x && high.x >= a.x && low.y <= b.y && high.y >= a.y;
      },
      [&](int column, int row) {
        cells.at(column, row).words.push_back(i);
        const PointMm from = t.cross(column, row);
        const PointMm to = t.cross(column + 1, row + 1);
        const PointMm m = place.middle;
        if (m.x >= from.x && m.x < to.x && m.y <= from.y && m.y > to.y) {
          cells.at(column, row).carries = true;
        }
      });
}

std::optional<Error> wrong_with(const CutTiling& tiling) {
  if (!(tiling.margin_mm >= 3 && tiling.margin_mm <= 40)) {
    return Error{Code::bad_usage,
                 "a page margin of " + fixed(tiling.margin_mm, 1) + " mm: use 3 to 40 mm"};
  }
  if (!(tiling.overlap_mm >= 4 && tiling.overlap_mm <= 40)) {
    return Error{Code::bad_usage,
                 "an overlap of " + fixed(tiling.overlap_mm, 1) + " mm: use 4 to 40 mm"};
  }
  return std::nullopt;
}

Error too_many(const std::string& what) {
  return Error{Code::too_large, what + ": make one long page, or a sheet of fewer panes"};
}

}  // namespace

std::string Tile::name() const {
  std::string letters;
  for (int r = row + 1; r > 0; r = (r - 1) / 26) {
    letters.insert(letters.begin(), static_cast<char>('A' + (r - 1) % 26));
  }
  return letters + std::to_string(column + 1);
}

const Tile* Tiles::find(int column, int row) const {
  const auto before = [](const Tile& a, const Tile& b) {
    return a.row != b.row ? a.row < b.row : a.column < b.column;
  };
  Tile wanted;
  wanted.column = column;
  wanted.row = row;
  const auto it = std::lower_bound(printed.begin(), printed.end(), wanted, before);
  return it != printed.end() && it->column == column && it->row == row ? &*it : nullptr;
}

Result<Tiles> tile(const film::CutSheet& sheet, const CutTiling& tiling,
                   const std::vector<CutWords>& words) {
  if (const std::optional<Error> wrong = wrong_with(tiling)) return *wrong;
  const PaperSize paper = size_of(tiling.paper);
  std::optional<Tiles> best;
  for (const bool lying : {false, true}) {
    Tiles t = lay_out(sheet, tiling, lying ? paper.height : paper.width,
                      lying ? paper.width : paper.height);
    if (t.columns > kMostCells / t.rows) continue;
    Cells cells(t);
    for (std::size_t i = 0; i < sheet.paths.size(); ++i) enter_path(cells, t, sheet, i);
    for (std::size_t i = 0; i < words.size(); ++i) enter_words(cells, t, words, i);
    for (int row = 0; row < t.rows; ++row) {
      for (int column = 0; column < t.columns; ++column) {
        Cells::Cell& cell = cells.at(column, row);
        if (!cell.carries) continue;
        t.printed.push_back({column, row, std::move(cell.paths), std::move(cell.words)});
      }
    }
    if (!best || t.printed.size() < best->printed.size()) best = std::move(t);
  }
  if (!best) return too_many("the sheet would take over 4000 pages");
  if (best->printed.empty()) {
    return Error{Code::degenerate_shape, "the sheet has nothing to draw: add a path of kind cut"};
  }
  if (best->printed.size() > kMostPages) {
    return too_many(std::to_string(best->printed.size()) + " pages, at most 500");
  }
  std::size_t drawn = 0;
  for (const Tile& each : best->printed) {
    for (const std::size_t i : each.paths) drawn += sheet.paths[i].vertices.size();
  }
  if (drawn > kMostDrawn)
    return too_many("the pages would carry " + std::to_string(drawn) +
                    " corners, at most 2 000 000");
  return std::move(*best);
}

}  // namespace panecard::drawings
