// The library as a folder that reads well in a diff, and back.
#include <algorithm>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <set>

#include "library/index.h"
#include "library/pack.h"
#include "library/records.h"
#include "library/texts.h"

namespace panecard::library {
namespace {

namespace fs = std::filesystem;
using Json = nlohmann::ordered_json;

constexpr std::size_t kMostFile = 16'000'000, kMostFolders = 1'000'000;

/// Why a folder is refused; never leaves import_from.
struct Refusal {
  std::string what;
};

void must(const Result<std::size_t>& written) {
  if (!written.ok()) throw Refusal{written.error().detail};
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

std::string pretty(const Json& json) { return json.dump(2) + "\n"; }

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

void write_outline(const fs::path& file, const std::string& record) {
  const auto kept = unpack(record);
  if (!kept.ok()) throw Refusal{kept.error().detail};
  must(write_file(file.string(), to_result_json(kept.value())));
}

Json export_measurements(SQLite::Database& db, std::int64_t pane, const fs::path& folder) {
  Json out = Json::array();
  SQLite::Statement query(db,
                          "SELECT id, change, record FROM measurement WHERE pane = ? ORDER BY id");
  query.bind(1, pane);
  while (query.executeStep()) {
    const std::int64_t id = query.getColumn(0).getInt64();
    write_outline(folder / ("measurement-" + std::to_string(id) + ".json"),
                  blob(query.getColumn(2)));
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
    if (own) {
      write_outline(folder / ("pattern-" + std::to_string(id) + ".json"), blob(query.getColumn(2)));
    }
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
    const auto text = inflated(blob(query.getColumn(2)), kMostFile);
    if (!text.ok()) throw Refusal{text.error().detail};
    must(write_file((folder / ("piece-" + std::to_string(id) + ".json")).string(),
                    pretty(Json::parse(text.value()))));
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
  const auto outline = unpack_outline(*record);
  if (!outline.ok()) throw Refusal{outline.error().detail};
  must(write_file((folder / "pattern.svg").string(), picture(outline.value())));
}

/// Only ordinary files of the folder itself: no link leads out of it.
std::string file_in(const fs::path& folder, const std::string& name) {
  const fs::path path = folder / name;
  if (!fs::is_regular_file(fs::symlink_status(path))) {
    throw Refusal{"'" + path.string() + "' is missing or no ordinary file"};
  }
  auto bytes = read_file(path.string(), kMostFile);
  if (!bytes.ok()) throw Refusal{bytes.error().detail};
  return std::move(bytes).value();
}

Json json_in(const fs::path& folder, const std::string& name, const std::string& format) {
  Json json = Json::parse(file_in(folder, name), nullptr, false);
  const bool right = json.is_object() && json.value("format", "") == format &&
                     json.contains("version") && json["version"] == 1;
  if (!right) {
    throw Refusal{"'" + (folder / name).string() + "' is no " + format + " of version 1"};
  }
  return json;
}

std::vector<fs::path> folders_in(const fs::path& folder) {
  std::vector<fs::path> out;
  for (const auto& entry : fs::directory_iterator(folder)) {
    if (entry.is_directory() && !entry.is_symlink()) out.push_back(entry.path());
    if (out.size() > kMostFolders) throw Refusal{"'" + folder.string() + "' has too many folders"};
  }
  std::sort(out.begin(), out.end());
  return out;
}

void bind_blob(SQLite::Statement& statement, int index, const std::string& bytes) {
  statement.bind(index, static_cast<const void*>(bytes.data()), static_cast<int>(bytes.size()));
}

std::int64_t whole(const Json& json, const char* key) { return json.at(key).get<std::int64_t>(); }
std::string text(const Json& json, const char* key) { return json.at(key).get<std::string>(); }

std::string bytes_of_hex(const std::string& digits) {
  std::string out;
  constexpr std::size_t kDigits = 64;
  const bool right =
      digits.size() == kDigits && std::all_of(digits.begin(), digits.end(), [](char c) {
        return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'f');
      });
  if (!right) throw Refusal{"a photo's sha256 is not 64 digits 0 to f"};
  for (std::size_t i = 0; i < kDigits; i += 2) {
    out.push_back(static_cast<char>(std::stoi(digits.substr(i, 2), nullptr, 16)));
  }
  return out;
}

std::pair<Kept, std::string> record_in(const fs::path& folder, const std::string& name) {
  auto kept = keep(file_in(folder, name), (folder / name).string());
  if (!kept.ok()) throw Refusal{kept.error().detail};
  std::string record = pack(kept.value());
  return {std::move(kept.value()), std::move(record)};
}

void import_measurement(SQLite::Database& db, std::int64_t pane, const Json& json,
                        const fs::path& folder) {
  const std::int64_t id = whole(json, "id");
  const auto [kept, record] = record_in(folder, "measurement-" + std::to_string(id) + ".json");
  insert_measurement(db, id, pane, whole(json, "change"), kept, record);
  std::int64_t number = 0;
  for (const Json& photo : json.at("photos")) {
    const std::string hash = text(photo, "sha256"), bytes = bytes_of_hex(hash);
    SQLite::Statement insert(db, "INSERT INTO photo VALUES(?, ?, ?, ?)");
    SQLite::bind(insert, id, ++number, text(photo, "name"));
    bind_blob(insert, 4, bytes);
    insert.exec();
    if (!photo.at("copy").get<bool>()) continue;
    SQLite::Statement copy(db, "INSERT OR IGNORE INTO photo_copy VALUES(?, ?)");
    bind_blob(copy, 1, bytes);
    bind_blob(copy, 2, file_in(folder, "photo-" + hash + ".jpg"));
    copy.exec();
  }
}

void import_pattern(SQLite::Database& db, std::int64_t pane, const Json& json,
                    const fs::path& folder) {
  const std::int64_t id = whole(json, "id");
  SQLite::Statement insert(db,
                           "INSERT INTO pattern(id, pane, measurement, record) VALUES(?, ?, ?, ?)");
  SQLite::bind(insert, id, pane);
  if (json.at("measurement").is_null()) {
    bind_blob(insert, 4, record_in(folder, "pattern-" + std::to_string(id) + ".json").second);
  } else {
    insert.bind(3, whole(json, "measurement"));
  }
  insert.exec();
  for (const Json& source : json.at("made_from")) {
    SQLite::Statement link(db, "INSERT INTO pattern_source VALUES(?, ?)");
    SQLite::bind(link, id, source.get<std::int64_t>());
    link.exec();
  }
}

void import_piece(SQLite::Database& db, std::int64_t pane, const Json& json,
                  const fs::path& folder) {
  const std::int64_t id = whole(json, "id");
  const std::string name = "piece-" + std::to_string(id) + ".json";
  const Json piece = Json::parse(file_in(folder, name), nullptr, false);
  if (!piece.is_object()) throw Refusal{"'" + (folder / name).string() + "' is no JSON object"};
  SQLite::Statement insert(db, "INSERT INTO piece VALUES(?, ?, ?, ?)");
  SQLite::bind(insert, id, pane, text(json, "name"));
  bind_blob(insert, 4, deflated(piece.dump()));
  insert.exec();
}

void must_be_text(const std::optional<Error>& why) {
  if (why) throw Refusal{why->detail};
}

void import_pane(SQLite::Database& db, std::int64_t vehicle, const fs::path& folder) {
  const Json json = json_in(folder, "pane.json", "panecard-pane");
  const std::int64_t pane = whole(json, "id");
  SQLite::Statement insert(db, "INSERT INTO pane VALUES(?, ?)");
  SQLite::bind(insert, pane, vehicle);
  insert.exec();
  for (const Json& m : json.at("measurements")) import_measurement(db, pane, m, folder);
  for (const Json& p : json.at("patterns")) import_pattern(db, pane, p, folder);
  for (const Json& p : json.at("pieces")) import_piece(db, pane, p, folder);
  for (const Json& r : json.at("revisions")) {
    PaneState state;
    state.about = {text(r, "window"), text(r, "side"), text(r, "notes")};
    must_be_text(refused(state.about));
    if (!r.at("pattern").is_null()) state.pattern = whole(r, "pattern");
    state.pieces = r.at("pieces").get<std::vector<std::int64_t>>();
    revise_pane(db, pane, state, whole(r, "change"));
  }
}

std::int64_t import_vehicle(SQLite::Database& db, const fs::path& folder) {
  const Json json = json_in(folder, "vehicle.json", "panecard-vehicle");
  const std::int64_t vehicle = whole(json, "id");
  SQLite::Statement insert(db, "INSERT INTO vehicle VALUES(?)");
  insert.bind(1, vehicle);
  insert.exec();
  for (const Json& r : json.at("revisions")) {
    const Vehicle v{text(r, "make"), text(r, "model"), text(r, "years"), text(r, "body"),
                    text(r, "notes")};
    must_be_text(refused(v));
    revise_vehicle(db, vehicle, v, whole(r, "change"));
  }
  std::int64_t panes = 0;
  for (const fs::path& pane : folders_in(folder)) import_pane(db, vehicle, pane), ++panes;
  return panes;
}

std::vector<std::int64_t> numbers(SQLite::Database& db, const std::string& sql) {
  std::vector<std::int64_t> out;
  SQLite::Statement query(db, sql);
  while (query.executeStep()) out.push_back(query.getColumn(0).getInt64());
  return out;
}

}  // namespace

Result<std::int64_t> Library::export_to(const std::string& folder) const {
  std::error_code trouble;
  if (fs::exists(folder, trouble) && !fs::is_empty(folder, trouble)) {
    return Error{Code::unwritable_file,
                 "'" + folder + "' is not empty; name a new folder, nothing is overwritten"};
  }
  return store_->read([&]() -> Result<std::int64_t> {
    SQLite::Database& db = store_->db();
    try {
      fs::create_directories(folder);
      std::int64_t panes = 0;
      for (const std::int64_t vehicle : numbers(db, "SELECT id FROM vehicle ORDER BY id")) {
        const auto v = vehicle_state(db, vehicle).value_or(Vehicle{});
        const fs::path place = fs::path(folder) / safe_name(vehicle, v.make + " " + v.model);
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
          (fs::path(folder) / "library.json").string(),
          pretty({{"format", "panecard-library"}, {"version", 1}, {"changes", stamps(db)}})));
      return panes;
    } catch (const fs::filesystem_error& e) {
      return Error{Code::unwritable_file,
                   "cannot write to '" + folder + "': " + e.code().message()};
    } catch (const Refusal& why) {
      return Error{Code::unwritable_file, why.what};
    }
  });
}

Result<std::int64_t> Library::import_from(const std::string& folder) {
  return store_->change([&]() -> Result<std::int64_t> {
    SQLite::Database& db = store_->db();
    if (!numbers(db, "SELECT id FROM vehicle UNION SELECT id FROM change LIMIT 1").empty()) {
      return Error{Code::bad_usage,
                   "library '" + store_->path() + "' has vehicles already; name a new file"};
    }
    try {
      const Json root = json_in(folder, "library.json", "panecard-library");
      for (const Json& change : root.at("changes")) {
        const Stamp stamp{text(change, "at"), text(change, "who"), text(change, "reason")};
        must_be_text(refused(stamp));
        SQLite::Statement insert(db, "INSERT INTO change VALUES(?, ?, ?, ?)");
        SQLite::bind(insert, whole(change, "id"), stamp.at, stamp.who, stamp.reason);
        insert.exec();
      }
      db.exec("PRAGMA defer_foreign_keys = ON");
      std::int64_t panes = 0;
      for (const fs::path& vehicle : folders_in(folder)) panes += import_vehicle(db, vehicle);
      return panes;
    } catch (const Refusal& why) {
      return Error{Code::unreadable_file, why.what};
    } catch (const nlohmann::json::exception& e) {
      return Error{Code::unreadable_file, "'" + folder +
                                              "': a field is missing or of a wrong kind (" +
                                              std::string(e.what()) + ")"};
    } catch (const fs::filesystem_error& e) {
      return Error{Code::unreadable_file, "cannot read '" + folder + "': " + e.code().message()};
    } catch (const SQLite::Exception& e) {
      return Error{Code::unreadable_file, "'" + folder + "' contradicts itself: " + e.what()};
    }
  });
}

}  // namespace panecard::library
