// The library as a folder that reads well in a diff; import.cpp reads it back.
#include "library/exchange.h"

#include <algorithm>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <set>

#include "library/pack.h"
#include "library/records.h"
#include "library/texts.h"

namespace panecard::library {
namespace {

template <typename T>
T must(Result<T> result, const std::string& of_what = {}) {
  if (!result.ok()) throw Refusal{of_what + result.error().detail, result.error().code};
  return std::move(result).value();
}

std::string numbered(const char* what, std::int64_t number) {
  return std::string(what) + " " + std::to_string(number) + ": ";
}

/// A name of letters and digits only, whatever was typed; the number keeps it apart from others.
std::string safe_name(std::int64_t number, const std::string& text) {
  constexpr std::size_t kMost = 48;
  std::string out = std::to_string(number);
  for (const std::string& word : words_of(text)) {
    const bool plain = std::all_of(word.begin(), word.end(), [](char c) {
      return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9');
    });
    if (plain && out.size() + 1 + word.size() <= kMost) out += "-" + word;
  }
  return out;
}

/// Texts that are no UTF-8 in a library from elsewhere do not stop it; check finds them.
std::string pretty(const Json& json) {
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

/// The outline at true size: 1 user unit is 1 mm, y down (SVG 1.1, 7.10).
std::string picture(const PolygonMm& outline) {
  const Extent extent = extent_of(outline);
  const PointMm size = extent.size();
  std::string out = "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"" + to_text(size.x, 3) +
                    "mm\" height=\"" + to_text(size.y, 3) + "mm\" viewBox=\"0 0 " +
                    to_text(size.x, 3) + " " + to_text(size.y, 3) + "\">\n<path fill=\"none\" " +
                    "stroke=\"black\" stroke-width=\"0.5\" d=\"M";
  for (const PointMm p : outline) {
    out += "\n" + to_text(p.x - extent.low.x, 3) + " " + to_text(extent.high.y - p.y, 3);
  }
  return out + "\nZ\"/>\n</svg>\n";
}

Json stamps(SQLite::Database& db) {
  Json out = Json::array();
  SQLite::Statement query(db, "SELECT id, at, who, reason FROM change ORDER BY id");
  while (query.executeStep()) {
    out.push_back({{"id", query.getColumn(0).getInt64()},
                   {"at", query.getColumn(1).getString()},
                   {"who", query.getColumn(2).getString()},
                   {"reason", query.getColumn(3).getString()}});
  }
  return out;
}

Json vehicle_json(SQLite::Database& db, std::int64_t vehicle) {
  Json revisions = Json::array();
  SQLite::Statement query(db,
                          "SELECT change, make, model, years, body, notes FROM vehicle_revision "
                          "WHERE vehicle = ? ORDER BY number");
  query.bind(1, vehicle);
  const auto text = [&](int i) { return query.getColumn(i).getString(); };
  while (query.executeStep()) {
    revisions.push_back({{"change", query.getColumn(0).getInt64()},
                         {"make", text(1)},
                         {"model", text(2)},
                         {"years", text(3)},
                         {"body", text(4)},
                         {"notes", text(5)}});
  }
  return {
      {"format", "panecard-vehicle"}, {"version", 1}, {"id", vehicle}, {"revisions", revisions}};
}

Json pane_revisions(SQLite::Database& db, std::int64_t pane) {
  Json out = Json::array();
  SQLite::Statement query(db, "SELECT change FROM pane_revision WHERE pane = ? ORDER BY number");
  query.bind(1, pane);
  for (std::int64_t number = 1; query.executeStep(); ++number) {
    const auto state = pane_state(db, pane, number).value_or(PaneState{});
    Json revision = {{"change", query.getColumn(0).getInt64()},
                     {"window", state.about.window},
                     {"side", state.about.side},
                     {"notes", state.about.notes}};
    revision["pattern"] = state.pattern ? Json(*state.pattern) : Json(nullptr);
    revision["pieces"] = state.pieces;
    out.push_back(std::move(revision));
  }
  return out;
}

/// Under the name "measurement-4.json".
void write_outline(const fs::path& folder, const char* what, std::int64_t id,
                   const std::string& record) {
  const Kept kept = must(unpack(record), numbered(what, id));
  const fs::path file = folder / (std::string(what) + "-" + std::to_string(id) + ".json");
  must(write_file(file.string(), to_result_json(kept)));
}

Json export_measurements(SQLite::Database& db, std::int64_t pane, const fs::path& folder) {
  Json out = Json::array();
  SQLite::Statement query(db,
                          "SELECT id, change, record FROM measurement WHERE pane = ? ORDER BY id");
  query.bind(1, pane);
  while (query.executeStep()) {
    const std::int64_t id = query.getColumn(0).getInt64();
    write_outline(folder, "measurement", id, blob(query.getColumn(2)));
    Json photos = Json::array();
    SQLite::Statement photo(db,
                            "SELECT p.name, p.hash, c.jpeg FROM photo AS p LEFT JOIN photo_copy "
                            "AS c ON c.hash = p.hash WHERE p.measurement = ? ORDER BY p.number");
    photo.bind(1, id);
    while (photo.executeStep()) {
      Sha256 hash{};
      const std::string bytes = blob(photo.getColumn(1));
      std::copy_n(bytes.begin(), std::min(bytes.size(), hash.size()), hash.begin());
      const bool copied = !photo.getColumn(2).isNull();
      photos.push_back(
          {{"name", photo.getColumn(0).getString()}, {"sha256", hex(hash)}, {"copy", copied}});
      if (copied) {
        must(write_file((folder / ("photo-" + hex(hash) + ".jpg")).string(),
                        blob(photo.getColumn(2))));
      }
    }
    out.push_back({{"id", id}, {"change", query.getColumn(1).getInt64()}, {"photos", photos}});
  }
  return out;
}

Json export_patterns(SQLite::Database& db, std::int64_t pane, const fs::path& folder) {
  Json out = Json::array();
  SQLite::Statement query(db,
                          "SELECT id, measurement, record FROM pattern WHERE pane = ? ORDER BY id");
  query.bind(1, pane);
  while (query.executeStep()) {
    const std::int64_t id = query.getColumn(0).getInt64();
    Json sources = Json::array();
    SQLite::Statement source(
        db, "SELECT measurement FROM pattern_source WHERE pattern = ? ORDER BY measurement");
    source.bind(1, id);
    while (source.executeStep()) sources.push_back(source.getColumn(0).getInt64());
    const bool own = query.getColumn(1).isNull();
    if (own) write_outline(folder, "pattern", id, blob(query.getColumn(2)));
    out.push_back({{"id", id},
                   {"measurement", own ? Json(nullptr) : Json(query.getColumn(1).getInt64())},
                   {"made_from", sources}});
  }
  return out;
}

Json export_pieces(SQLite::Database& db, std::int64_t pane, const fs::path& folder) {
  Json out = Json::array();
  SQLite::Statement query(db, "SELECT id, name, record FROM piece WHERE pane = ? ORDER BY id");
  query.bind(1, pane);
  while (query.executeStep()) {
    const std::int64_t id = query.getColumn(0).getInt64();
    const std::string text = must(unpack_piece(blob(query.getColumn(2))), numbered("piece", id));
    must(write_file((folder / ("piece-" + std::to_string(id) + ".json")).string(),
                    pretty(Json::parse(text))));
    out.push_back({{"id", id}, {"name", query.getColumn(1).getString()}});
  }
  return out;
}

void export_pane(SQLite::Database& db, std::int64_t pane, const fs::path& vehicle_folder) {
  const auto state = pane_state(db, pane).value_or(PaneState{});
  const fs::path folder =
      vehicle_folder / safe_name(pane, state.about.window + " " + state.about.side);
  fs::create_directory(folder);
  Json json = {{"format", "panecard-pane"}, {"version", 1}, {"id", pane}};
  json["measurements"] = export_measurements(db, pane, folder);
  json["patterns"] = export_patterns(db, pane, folder);
  json["pieces"] = export_pieces(db, pane, folder);
  json["revisions"] = pane_revisions(db, pane);
  must(write_file((folder / "pane.json").string(), pretty(json)));
  const auto record = state.pattern ? pattern_record(db, *state.pattern) : std::nullopt;
  if (!record) return;
  const PolygonMm outline = must(unpack_outline(*record), numbered("pattern of pane", pane));
  must(write_file((folder / "pattern.svg").string(), picture(outline)));
}

std::vector<std::int64_t> numbers(SQLite::Database& db, const std::string& sql) {
  std::vector<std::int64_t> out;
  SQLite::Statement query(db, sql);
  while (query.executeStep()) out.push_back(query.getColumn(0).getInt64());
  return out;
}

/// The panes written.
std::int64_t export_all(SQLite::Database& db, const fs::path& folder) {
  std::int64_t panes = 0;
  for (const std::int64_t vehicle : numbers(db, "SELECT id FROM vehicle ORDER BY id")) {
    const auto v = vehicle_state(db, vehicle).value_or(Vehicle{});
    const fs::path place = folder / safe_name(vehicle, v.make + " " + v.model);
    fs::create_directory(place);
    must(write_file((place / "vehicle.json").string(), pretty(vehicle_json(db, vehicle))));
    for (const std::int64_t pane : numbers(db, "SELECT id FROM pane WHERE vehicle = " +
                                                   std::to_string(vehicle) + " ORDER BY id")) {
      export_pane(db, pane, place);
      ++panes;
    }
  }
  // Last, so that a folder with it is whole.
  must(write_file(
      (folder / "library.json").string(),
      pretty({{"format", "panecard-library"}, {"version", 1}, {"changes", stamps(db)}})));
  return panes;
}

/// A folder that was not there, or was empty, and is so again unless it is kept.
class NewFolder {
 public:
  explicit NewFolder(const std::string& path) : path_(fs::absolute(path)) {
    for (fs::path p = path_; !fs::exists(p) && p.has_relative_path(); p = p.parent_path()) {
      if (!p.filename().empty()) highest_made_ = p;
    }
    fs::create_directories(path_);
  }
  NewFolder(const NewFolder&) = delete;
  NewFolder& operator=(const NewFolder&) = delete;
  ~NewFolder() {
    if (kept_) return;
    std::error_code ignored;
    if (!highest_made_.empty()) {
      fs::remove_all(highest_made_, ignored);
      return;
    }
    for (const auto& entry : fs::directory_iterator(path_, ignored)) {
      fs::remove_all(entry.path(), ignored);
    }
  }
  void keep() { kept_ = true; }

 private:
  fs::path path_, highest_made_;
  bool kept_ = false;
};

}  // namespace

Result<std::int64_t> Library::export_to(const std::string& folder) const {
  std::error_code trouble;
  if (fs::exists(folder, trouble) && !fs::is_empty(folder, trouble)) {
    return Error{Code::unwritable_file,
                 "'" + folder + "' is not empty; name a new folder, nothing is overwritten"};
  }
  return store_->read([&]() -> Result<std::int64_t> {
    try {
      NewFolder made(folder);
      const std::int64_t panes = export_all(store_->db(), folder);
      made.keep();
      return panes;
    } catch (const fs::filesystem_error& e) {
      return Error{Code::unwritable_file,
                   "cannot write to '" + folder + "': " + e.code().message()};
    } catch (const Refusal& why) {
      return Error{why.code, why.code == Code::unreadable_file
                                 ? "library '" + store_->path() + "', " + why.what
                                 : why.what};
    }
  });
}

}  // namespace panecard::library
