#include "app/batch_list.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <filesystem>
#include <functional>
#include <map>
#include <optional>
#include <set>
#include <sstream>

#include "app/app.h"
#include "app/csv.h"

namespace panecard::app {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kMostPhotos = 100'000;
constexpr std::size_t kMostTable = 64'000'000;
constexpr int kDeepest = 2;  ///< VEHICLE/PANE/photo.jpg

struct Row {
  ListedPane pane;
  std::string photo, near;
};

struct Column {
  const char* name;
  std::string& (*cell)(Row&);
  std::vector<std::string> allowed;  ///< empty: any text
};

const std::vector<Column>& columns() {
  using P = Row&;
  static const std::vector<Column> all = {
      {"photo", [](P r) -> std::string& { return r.photo; }, {}},
      {"make", [](P r) -> std::string& { return r.pane.vehicle.make; }, {}},
      {"model", [](P r) -> std::string& { return r.pane.vehicle.model; }, {}},
      {"years", [](P r) -> std::string& { return r.pane.vehicle.years; }, {}},
      {"body", [](P r) -> std::string& { return r.pane.vehicle.body; }, {}},
      {"vehicle_notes", [](P r) -> std::string& { return r.pane.vehicle.notes; }, {}},
      {"window", [](P r) -> std::string& { return r.pane.pane.window; }, {}},
      {"side", [](P r) -> std::string& { return r.pane.pane.side; }, {}},
      {"notes", [](P r) -> std::string& { return r.pane.pane.notes; }, {}},
      {"boundary",
       [](P r) -> std::string& { return r.pane.options.boundary; },
       {"glass", "solid", "dots"}},
      {"plain", [](P r) -> std::string& { return r.pane.options.plain; }, {}},
      {"near", [](P r) -> std::string& { return r.near; }, {}},
      {"bow", [](P r) -> std::string& { return r.pane.options.bow; }, {}},
      {"radius", [](P r) -> std::string& { return r.pane.options.radius; }, {}},
      {"bow_axis",
       [](P r) -> std::string& { return r.pane.options.bow_axis; },
       {"level", "upright"}},
      {"glass_thickness", [](P r) -> std::string& { return r.pane.options.glass_thickness; }, {}},
      {"card_thickness", [](P r) -> std::string& { return r.pane.options.card_thickness; }, {}},
      {"seen_from",
       [](P r) -> std::string& { return r.pane.options.seen_from; },
       {"outside", "inside"}},
  };
  return all;
}

std::string trimmed(const std::string& text) {
  const auto from = text.find_first_not_of(" \t\r\n"), to = text.find_last_not_of(" \t\r\n");
  return from == std::string::npos ? std::string() : text.substr(from, to - from + 1);
}

std::string lower(std::string text) {
  for (char& c : text) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  return text;
}

bool is_picture(const fs::path& path) {
  static const std::set<std::string> endings = {".jpg",  ".jpeg", ".png",  ".tif",
                                                ".tiff", ".webp", ".heic", ".heif"};
  return endings.count(ending(path.string())) > 0;
}

bool is_number(const std::string& word) {
  const bool bracketed = word.size() > 2 && word.front() == '(' && word.back() == ')';
  const std::string digits = bracketed ? word.substr(1, word.size() - 2) : word;
  constexpr std::size_t kMostDigits = 4;
  return !digits.empty() && digits.size() <= kMostDigits &&
         digits.find_first_not_of("0123456789") == std::string::npos;
}

/// 2019, 2017-2022, 2017-
bool is_years(const std::string& word) {
  const auto year = [](const std::string& w) {
    return w.size() == 4 && w.find_first_not_of("0123456789") == std::string::npos &&
           (w.starts_with("19") || w.starts_with("20"));
  };
  const std::size_t dash = word.find('-');
  if (dash == std::string::npos) return year(word);
  const std::string end = word.substr(dash + 1);
  return year(word.substr(0, dash)) && (end.empty() || year(end));
}

std::vector<std::string> words_of(const std::string& text) {
  std::vector<std::string> words;
  std::istringstream in(text);
  for (std::string word; in >> word;) words.push_back(word);
  return words;
}

std::string joined(const std::vector<std::string>& words, std::size_t first = 0) {
  std::string out;
  for (std::size_t i = first; i < words.size(); ++i) out += (i > first ? " " : "") + words[i];
  return out;
}

/// "Norden Kuma Sport 2017-2022": make, model, years.
library::Vehicle vehicle_named(const std::string& text) {
  library::Vehicle v;
  std::vector<std::string> words = words_of(text);
  if (words.size() > 1 && is_years(words.back())) {
    v.years = words.back();
    words.pop_back();
  }
  if (words.empty()) return v;
  v.make = words.front();
  v.model = joined(words, 1);
  return v;
}

/// What a camera numbers its photos by is no window: IMG_0815, PXL_20260501_120000.
bool names_something(const std::vector<std::string>& words) {
  return std::any_of(words.begin(), words.end(), [](const std::string& word) {
    return word.size() > 1 && word.find_first_of("0123456789") == std::string::npos;
  });
}

/// "front door left 2": window, side; the number only tells photos of one pane apart.
library::Pane pane_named(const std::string& text) {
  std::vector<std::string> words = words_of(text);
  if (words.size() > 1 && is_number(words.back())) words.pop_back();
  library::Pane p;
  const std::string last = words.empty() ? std::string() : lower(words.back());
  if (last == "left" || last == "right") {
    p.side = last;
    words.pop_back();
  }
  if (names_something(words)) p.window = joined(words);
  return p;
}

constexpr const char* kHowNamed =
    "its name does not say which vehicle and pane; call it 'Norden Kuma 2019_front door left.jpg', "
    "use folders 'Norden Kuma 2019/front door left', or list it in a CSV file";

/// By VEHICLE_PANE.jpg, VEHICLE/PANE.jpg or VEHICLE/PANE/any.jpg.
ListedPane named_by(const std::string& name, const PhotoOptions& defaults) {
  std::vector<std::string> steps;
  for (const fs::path& step : fs::path(name)) steps.push_back(step.string());
  steps.back() = fs::path(steps.back()).stem().string();
  if (steps.size() == 1) {
    std::string stem = steps.back();
    const std::size_t cut = stem.find('_');
    std::string rest = cut == std::string::npos ? std::string() : stem.substr(cut + 1);
    std::replace(rest.begin(), rest.end(), '_', ' ');
    steps = {stem.substr(0, cut), rest};
  }
  std::replace(steps[1].begin(), steps[1].end(), '_', ' ');
  std::replace(steps[0].begin(), steps[0].end(), '_', ' ');
  return {vehicle_named(steps[0]), pane_named(steps[1]), defaults, {}};
}

/// The photo's place, when it is an ordinary file that lies in the folder whatever its name says.
ListedPhoto photo_in(const fs::path& folder, const std::string& name) {
  ListedPhoto photo{name, (folder / name).string(), {}};
  std::error_code trouble;
  if (name.find('\0') != std::string::npos) {
    photo.trouble = "its name has a zero in it; rename it";
    return photo;
  }
  const fs::path root = fs::canonical(folder, trouble);
  const fs::path real = fs::weakly_canonical(folder / name, trouble);
  const auto [end, at] = std::mismatch(root.begin(), root.end(), real.begin(), real.end());
  if (trouble || end != root.end() || at == real.end()) {
    photo.trouble = "it lies outside the folder; copy it in";
  } else if (!fs::exists(real, trouble)) {
    photo.trouble = "there is no such file; correct the table or bring the photo";
  } else if (!fs::is_regular_file(real, trouble)) {
    photo.trouble = "it is no ordinary file";
  }
  return photo;
}

void check_names(ListedPane& pane, ListedPhoto& photo) {
  if (!photo.trouble.empty()) return;
  if (!is_utf8(photo.name)) photo.trouble = "its name is not UTF-8; rename it";
  const bool named = !pane.vehicle.make.empty() || !pane.vehicle.model.empty();
  if (!named || pane.pane.window.empty()) photo.trouble = kHowNamed;
}

std::string key_of(const ListedPane& p) {
  std::string key;
  for (const std::string& part :
       {p.vehicle.make, p.vehicle.model, p.vehicle.years, p.vehicle.body, p.pane.window,
        p.pane.side, p.options.boundary, p.options.plain, p.options.bow, p.options.radius,
        p.options.bow_axis, p.options.glass_thickness, p.options.card_thickness,
        p.options.seen_from, joined(p.options.near)}) {
    key += std::to_string(part.size()) + ":" + part;
  }
  return key;
}

/// Panes in the order of their first photo.
class Panes {
 public:
  void add(ListedPane pane, ListedPhoto photo) {
    check_names(pane, photo);
    const auto [at, fresh] = places_.try_emplace(key_of(pane), list_.panes.size());
    if (fresh) list_.panes.push_back(std::move(pane));
    list_.panes[at->second].photos.push_back(std::move(photo));
  }
  BatchList take() { return std::move(list_); }

 private:
  BatchList list_;
  std::map<std::string, std::size_t> places_;
};

/// All photos in the folder and in the folders in it, sorted by name.
Result<std::vector<std::string>> photos_under(const std::string& folder) {
  std::vector<std::string> names;
  try {
    for (auto at = fs::recursive_directory_iterator(folder);
         at != fs::recursive_directory_iterator(); ++at) {
      if (at->is_directory() && at.depth() >= kDeepest) at.disable_recursion_pending();
      if (at->is_directory() || !is_picture(at->path())) continue;
      names.push_back(at->path().lexically_relative(folder).generic_string());
      if (names.size() > kMostPhotos) {
        return Error{Code::too_large, "'" + folder + "' has over 100 000 photos; divide it"};
      }
    }
  } catch (const fs::filesystem_error& e) {
    return Error{Code::unreadable_file, "cannot read folder '" + folder +
                                            "': " + e.code().message() +
                                            "; check its name and its permissions"};
  }
  std::sort(names.begin(), names.end());
  return names;
}

Error wrong_table(const std::string& table, std::size_t line, const std::string& why) {
  return {Code::bad_usage, "'" + table + "', line " + std::to_string(line) + ": " + why};
}

std::string known_columns() {
  std::string out;
  for (const Column& c : columns()) out += (out.empty() ? "" : ", ") + std::string(c.name);
  return out;
}

Result<std::vector<const Column*>> header_of(const CsvRow& row, const std::string& table) {
  std::vector<const Column*> out;
  for (const std::string& cell : row.cells) {
    std::string name = lower(trimmed(cell));
    std::replace(name.begin(), name.end(), ' ', '_');
    const auto found = std::find_if(columns().begin(), columns().end(),
                                    [&](const Column& c) { return name == c.name; });
    if (found == columns().end()) {
      return wrong_table(table, row.line,
                         "unknown column '" + cell + "'; known are " + known_columns());
    }
    if (std::find(out.begin(), out.end(), &*found) != out.end()) {
      return wrong_table(table, row.line, "two columns are called '" + cell + "'");
    }
    out.push_back(&*found);
  }
  const bool names_photos = std::any_of(
      out.begin(), out.end(), [](const Column* c) { return std::string("photo") == c->name; });
  if (!names_photos) return wrong_table(table, row.line, "there is no column 'photo'");
  return out;
}

/// Spreadsheets leave lines of nothing but commas.
bool is_empty(const CsvRow& row) {
  return std::all_of(row.cells.begin(), row.cells.end(),
                     [](const std::string& cell) { return trimmed(cell).empty(); });
}

Result<Row> row_in(const CsvRow& cells, const std::vector<const Column*>& header,
                   const std::string& table, const PhotoOptions& defaults) {
  Row row;
  row.pane.options = defaults;
  if (cells.cells.size() > header.size()) {
    return wrong_table(table, cells.line, "it has more cells than the first line has columns");
  }
  for (std::size_t i = 0; i < cells.cells.size(); ++i) {
    const std::string text = trimmed(cells.cells[i]);
    if (text.empty()) continue;
    const std::vector<std::string>& allowed = header[i]->allowed;
    if (!allowed.empty() && std::find(allowed.begin(), allowed.end(), text) == allowed.end()) {
      return wrong_table(
          table, cells.line,
          std::string(header[i]->name) + " '" + text + "': give one of " + joined(allowed));
    }
    header[i]->cell(row) = text;
  }
  if (row.photo.empty()) return wrong_table(table, cells.line, "it names no photo");
  if (!row.near.empty()) row.pane.options.near = {row.near};
  return row;
}

Result<BatchList> list_by_table(const std::string& folder, const std::string& table,
                                const PhotoOptions& defaults,
                                const std::vector<std::string>& there) {
  const auto bytes = read_file(table, kMostTable);
  if (!bytes.ok()) return bytes.error();
  const auto rows = read_csv(bytes.value(), table);
  if (!rows.ok()) return rows.error();
  if (rows->size() < 2) return wrong_table(table, 1, "it names no photo");
  const auto header = header_of(rows->front(), table);
  if (!header.ok()) return header.error();
  Panes panes;
  std::set<std::string> named;
  for (std::size_t i = 1; i < rows->size(); ++i) {
    if (is_empty(rows.value()[i])) continue;
    auto row = row_in(rows.value()[i], header.value(), table, defaults);
    if (!row.ok()) return row.error();
    named.insert(fs::path(row->photo).lexically_normal().generic_string());
    panes.add(std::move(row.value().pane), photo_in(folder, row->photo));
  }
  if (named.empty()) return wrong_table(table, rows->back().line, "no line names a photo");
  BatchList list = panes.take();
  list.not_listed = static_cast<std::size_t>(std::count_if(
      there.begin(), there.end(), [&](const std::string& n) { return named.count(n) == 0; }));
  return list;
}

}  // namespace

Result<BatchList> list_batch(const std::string& folder, const std::string& table,
                             const PhotoOptions& defaults) {
  std::error_code ignored;
  if (!fs::is_directory(folder, ignored)) {
    return Error{Code::unreadable_file, "'" + folder + "' is no folder; name the photos' folder"};
  }
  const auto names = photos_under(folder);
  if (!names.ok()) return names.error();
  const std::string beside = (fs::path(folder) / "manifest.csv").string();
  if (!table.empty()) return list_by_table(folder, table, defaults, {});
  if (fs::exists(beside, ignored)) return list_by_table(folder, beside, defaults, names.value());
  if (names->empty()) {
    return Error{Code::unreadable_file, "'" + folder + "' has no photos; name the photos' folder"};
  }
  Panes panes;
  for (const std::string& name : names.value()) {
    panes.add(named_by(name, defaults), photo_in(folder, name));
  }
  return panes.take();
}

}  // namespace panecard::app
