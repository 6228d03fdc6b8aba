#include "app/csv.h"

#include <nlohmann/json.hpp>
#include <optional>

namespace panecard::app {
namespace {

constexpr std::size_t kMostRows = 200'000, kMostCells = 64;

char separator_of(const std::string& bytes) {
  bool quoted = false, semicolon = false, tab = false;
  for (const char c : bytes) {
    if (c == '"') quoted = !quoted;
    if (quoted) continue;
    if (c == ',') return ',';
    if (c == '\n') break;
    semicolon = semicolon || c == ';';
    tab = tab || c == '\t';
  }
  return semicolon ? ';' : tab ? '\t' : ',';
}

class Reader {
 public:
  Reader(const std::string& bytes, std::size_t at)
      : bytes_(bytes), at_(at), separator_(separator_of(bytes)) {}

  bool done() const { return at_ >= bytes_.size(); }

  /// The next row; nothing when a quote does not end.
  std::optional<CsvRow> row() {
    CsvRow row{line_, {}};
    for (;;) {
      std::string cell;
      if (!take(cell)) return std::nullopt;
      if (row.cells.size() <= kMostCells) row.cells.push_back(std::move(cell));
      if (done()) return row;
      const char end = bytes_[at_++];
      if (end == separator_) continue;
      if (end == '\r' && !done() && bytes_[at_] == '\n') ++at_;
      ++line_;
      return row;
    }
  }

 private:
  bool take(std::string& cell) {
    bool quoted = false;
    for (; !done(); ++at_) {
      const char c = bytes_[at_];
      if (c == '"' && quoted && at_ + 1 < bytes_.size() && bytes_[at_ + 1] == '"') {
        cell += c;
        ++at_;
      } else if (c == '"' && (quoted || cell.empty())) {
        quoted = !quoted;
      } else if (!quoted && (c == separator_ || c == '\n' || c == '\r')) {
        return true;
      } else {
        if (c == '\n') ++line_;
        cell += c;
      }
    }
    return !quoted;
  }

  const std::string& bytes_;
  std::size_t at_;
  char separator_;
  std::size_t line_ = 1;
};

}  // namespace

bool is_utf8(const std::string& text) {
  try {
    (void)nlohmann::json(text).dump();
    return true;
  } catch (const nlohmann::json::type_error&) {
    return false;
  }
}

Result<std::vector<CsvRow>> read_csv(const std::string& bytes, const std::string& name) {
  const std::string mark = "\xEF\xBB\xBF";
  Reader reader(bytes, bytes.starts_with(mark) ? mark.size() : 0);
  std::vector<CsvRow> rows;
  while (!reader.done()) {
    auto row = reader.row();
    const std::string where = "'" + name + "', line ";
    if (!row) {
      return Error{Code::unreadable_file,
                   "'" + name + "': a quote does not end; write \" within quotes as \"\""};
    }
    if (row->cells.size() == 1 && row->cells.front().empty()) continue;
    if (row->cells.size() > kMostCells || rows.size() >= kMostRows) {
      return Error{Code::too_large, where + std::to_string(row->line) +
                                        ": over 64 cells or 200 000 rows; make it smaller"};
    }
    for (const std::string& cell : row->cells) {
      if (is_utf8(cell)) continue;
      return Error{Code::unreadable_file, where + std::to_string(row->line) +
                                              " is not UTF-8; save the table as CSV in UTF-8"};
    }
    rows.push_back(*std::move(row));
  }
  return rows;
}

}  // namespace panecard::app
