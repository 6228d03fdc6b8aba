// A cut sheet divided among pages that overlap.
//
// Frames   sheet: mm, origin lower left, y up. Columns count from the left, rows from the top.
//          A page's window is what it shows of the sheet; the grid stands centred on the sheet.
#pragma once

#include <string>
#include <vector>

#include "drawings/cut_drawing.h"
#include "drawings/drawings.h"

namespace panecard::drawings {

struct Tile {
  int column = 0, row = 0;
  std::vector<std::size_t> paths;  ///< that come into its window
  std::vector<std::size_t> words;
  std::string name() const;  ///< row and column: "B3"; after "Z" comes "AA"
};

struct Tiles {
  double paper_width = 0, paper_height = 0;
  double window_width = 0, window_height = 0;
  double step_x = 0, step_y = 0;  ///< from a page to the next
  int columns = 0, rows = 0;
  PointMm first;              ///< upper left corner of the first page's window
  double half_overlap = 0;    ///< from a window's edge to its crosses
  std::vector<Tile> printed;  ///< row by row, those that carry something

  PointMm upper_left(int column, int row) const {
    return {first.x + column * step_x, first.y - row * step_y};
  }
  /// The cross where pages (column - 1, row - 1) and (column, row) meet.
  PointMm cross(int column, int row) const {
    return upper_left(column, row) + PointMm{half_overlap, -half_overlap};
  }
  const Tile* find(int column, int row) const;  ///< nullptr: blank, or off the grid
};

/// The paper lies whichever way takes fewer pages.
/// @retval bad_usage  margin or overlap outside its range. @retval too_large  over 500 pages.
/// @retval degenerate_shape  nothing to draw.
Result<Tiles> tile(const film::CutSheet& sheet, const CutTiling& tiling,
                   const std::vector<CutWords>& words);

}  // namespace panecard::drawings
