// What the table and the drawing of a film piece say alike.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "formats/formats.h"

namespace panecard::formats {

struct PieceSideWords {
  std::string name, allowance, added, u95;
};
/// One for each side, even where its cut line is interrupted.
std::vector<PieceSideWords> side_words(const StoredPiece& piece, Units u);

std::string say_amount(double mm, Units u);  ///< signed, without unit
PointMm size_of_piece(const StoredPiece& piece);
std::string say_piece_size(const StoredPiece& piece, Units u);
std::string say_piece_area(const StoredPiece& piece, Units u);
std::string say_along(const StoredPiece& piece);

}  // namespace panecard::formats
