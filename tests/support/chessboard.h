// Where OpenCV saw the corners of its chessboard in its sample photos.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "geom/geom.h"

namespace panecard::support {

struct BoardCorner {
  double column = 0, row = 0;  ///< on a board of 9 x 6, squares of 30 mm
  PointPx seen;                ///< our convention: the centre of the first pixel at 0.5
};

/// By photo, row by row. @param file  tests/card/data/chessboard-corners.csv, explained beside it
std::map<std::string, std::vector<BoardCorner>> chessboard_corners(const std::string& file);

}  // namespace panecard::support
