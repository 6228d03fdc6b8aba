#include "card/board.h"

namespace panecard::card {

namespace {

constexpr Board kSheet{7, 9, 26, 19.5, 0};
constexpr Board kCard{5, 3, 16, 12, 64};
constexpr int kMarkersReservedPerCard = 8;  // a card carries seven of them

}  // namespace

bool Board::black(int column, int row) const {
  const bool inside = column >= 0 && column < columns && row >= 0 && row < rows;
  return inside && (column + row) % 2 == 0;
}

std::array<PointMm, 4> Board::marker(int n) const {
  const int square = 2 * n + 1;  // both boards are an odd number of columns wide
  const PointMm corner = corner_at(square % columns, square / columns);
  const double margin = 0.5 * (square_mm - marker_mm);
  const double left = corner.x + margin, top = corner.y - margin;
  const double right = left + marker_mm, bottom = top - marker_mm;
  return {{{left, top}, {right, top}, {right, bottom}, {left, bottom}}};
}

Board board_of(int card_id) {
  if (card_id == kSheetId) return kSheet;
  Board board = kCard;
  board.first_marker += kMarkersReservedPerCard * card_id;
  return board;
}

std::optional<int> card_of_marker(int marker_id) {
  if (marker_id < 0) return std::nullopt;
  if (marker_id < kSheet.first_marker + kSheet.markers()) return kSheetId;
  const int offset = marker_id - kCard.first_marker;
  const int card = offset / kMarkersReservedPerCard;
  if (offset < 0 || card >= kCardCount || offset % kMarkersReservedPerCard >= kCard.markers()) {
    return std::nullopt;
  }
  return card;
}

}  // namespace panecard::card
