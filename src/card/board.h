// The printed ChArUco boards: places of markers and chessboard corners. Frame: mm, origin at the
// board's centre, x right and y up as printed.
#pragma once

#include <array>
#include <vector>

#include "geom/geom.h"

namespace panecard::card {

/// A chessboard whose white squares hold markers numbered row by row; the top-left square is black.
struct Board {
  int columns = 0, rows = 0;
  double square_mm = 0, marker_mm = 0;
  int first_marker = 0;

  int markers() const { return columns * rows / 2; }
  double width_mm() const { return columns * square_mm; }
  double height_mm() const { return rows * square_mm; }

  /// Corner (column, row) of the grid of squares, counted from the top-left: (0, 0) is the board's
  /// own corner, (columns, rows) the opposite one.
  PointMm corner_at(int column, int row) const {
    return {(column - 0.5 * columns) * square_mm, (0.5 * rows - row) * square_mm};
  }
  bool black(int column, int row) const;  ///< a square; everything outside the board is white

  /// Corners of the n-th marker of this board: top-left first, then clockwise, as printed.
  std::array<PointMm, 4> marker(int n) const;
};

inline constexpr int kSheetId = -1;
inline constexpr int kCardCount = 32;

/// kSheetId: the coded sheet; 0 to 31: a coded card.
Board board_of(int card_id);

/// Which board a marker belongs to; nullopt for a marker that none of ours carries.
std::optional<int> card_of_marker(int marker_id);

}  // namespace panecard::card
