// Tables as RFC 4180 has them, from any spreadsheet.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "base/base.h"

namespace panecard::app {

struct CsvRow {
  std::size_t line = 0;  ///< where it starts, from 1
  std::vector<std::string> cells;
};

/// Commas; semicolons or tabs where the first line has no comma outside quotes. Empty lines are
/// left out, and a byte order mark is.
/// @retval unreadable_file  not UTF-8, or a quote that does not end, with the line
/// @retval too_large        over 200 000 rows or 64 cells in one
Result<std::vector<CsvRow>> read_csv(const std::string& bytes, const std::string& name);

bool is_utf8(const std::string& text);

}  // namespace panecard::app
