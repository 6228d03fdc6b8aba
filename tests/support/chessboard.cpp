#include "support/chessboard.h"

#include <array>
#include <fstream>
#include <sstream>

namespace panecard::support {

std::map<std::string, std::vector<BoardCorner>> chessboard_corners(const std::string& file) {
  std::map<std::string, std::vector<BoardCorner>> photos;
  std::ifstream in(file);
  std::string line;
  std::getline(in, line);  // headings
  while (std::getline(in, line)) {
    std::istringstream fields(line);
    std::array<std::string, 5> field;
    for (std::string& f : field) std::getline(fields, f, ',');
    const auto& [name, column, row, x, y] = field;
    photos[name].push_back(
        {std::stod(column), std::stod(row), {std::stod(x) + 0.5, std::stod(y) + 0.5}});
  }
  return photos;
}

}  // namespace panecard::support
