#include "library/library.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "library/pack.h"
#include "library/records.h"
#include "library/store.h"

namespace panecard::library {
namespace {

constexpr std::size_t kMostPieceBytes = 8'000'000;
constexpr std::size_t kMostCopyBytes = 1'000'000;
constexpr std::size_t kMostPhotos = 100;

void bind_blob(SQLite::Statement& statement, int index, const std::string& bytes) {
  statement.bind(index, static_cast<const void*>(bytes.data()), static_cast<int>(bytes.size()));
}

std::string text(const Sha256& hash) {
  return {reinterpret_cast<const char*>(hash.data()), hash.size()};
}

/// A vehicle or pane that reads exactly so now; else a new one.
std::int64_t vehicle_for(SQLite::Database& db, const Vehicle& v, std::int64_t change) {
  SQLite::Statement query(db,
                          "SELECT vehicle FROM vehicle_now WHERE make = ? AND model = ? "
                          "AND years = ? AND body = ? ORDER BY vehicle LIMIT 1");
  SQLite::bind(query, v.make, v.model, v.years, v.body);
  if (query.executeStep()) return query.getColumn(0).getInt64();
  db.exec("INSERT INTO vehicle DEFAULT VALUES");
  const std::int64_t id = db.getLastInsertRowid();
  revise_vehicle(db, id, v, change);
  return id;
}

struct Place {
  std::int64_t pane = 0;
  PaneState state;
  bool fresh = false;
};

Place pane_for(SQLite::Database& db, std::int64_t vehicle, const Pane& about) {
  SQLite::Statement query(db,
                          "SELECT n.pane FROM pane AS p JOIN pane_now AS n ON n.pane = p.id "
                          "WHERE p.vehicle = ? AND n.window = ? AND n.side = ? "
                          "ORDER BY n.pane LIMIT 1");
  SQLite::bind(query, vehicle, about.window, about.side);
  if (query.executeStep()) {
    const std::int64_t pane = query.getColumn(0).getInt64();
    return {pane, pane_state(db, pane).value_or(PaneState{about, {}, {}}), false};
  }
  SQLite::Statement insert(db, "INSERT INTO pane(vehicle) VALUES(?)");
  insert.bind(1, vehicle);
  insert.exec();
  return {db.getLastInsertRowid(), {about, {}, {}}, true};
}

/// The measurement that has this result or one of these photos already.
std::optional<Added> known(SQLite::Database& db, const std::string& digest,
                           const std::vector<Photo>& photos) {
  const auto found = [&](const char* sql, const std::string& key) -> std::optional<Added> {
    SQLite::Statement query(db, sql);
    bind_blob(query, 1, key);
    if (!query.executeStep()) return std::nullopt;
    return Added{query.getColumn(0).getInt64(), query.getColumn(1).getInt64(),
                 query.getColumn(2).getInt64(), true, false};
  };
  if (auto same = found("SELECT p.vehicle, p.id, m.id FROM measurement AS m "
                        "JOIN pane AS p ON p.id = m.pane WHERE m.digest = ?",
                        digest)) {
    return same;
  }
  for (const Photo& photo : photos) {
    if (auto same = found("SELECT p.vehicle, p.id, m.id FROM photo AS f "
                          "JOIN measurement AS m ON m.id = f.measurement "
                          "JOIN pane AS p ON p.id = m.pane WHERE f.hash = ? LIMIT 1",
                          text(photo.hash))) {
      return same;
    }
  }
  return std::nullopt;
}

void insert_photos(SQLite::Database& db, std::int64_t measurement,
                   const std::vector<Photo>& photos) {
  std::int64_t number = 0;
  for (const Photo& photo : photos) {
    SQLite::Statement insert(db, "INSERT INTO photo VALUES(?, ?, ?, ?)");
    SQLite::bind(insert, measurement, ++number, photo.name);
    bind_blob(insert, 4, text(photo.hash));
    insert.exec();
    if (photo.small_jpeg.empty()) continue;
    SQLite::Statement copy(db, "INSERT OR IGNORE INTO photo_copy VALUES(?, ?)");
    bind_blob(copy, 1, text(photo.hash));
    bind_blob(copy, 2, photo.small_jpeg);
    copy.exec();
  }
}

std::int64_t pattern_of_measurement(SQLite::Database& db, std::int64_t pane,
                                    std::int64_t measurement) {
  SQLite::Statement query(db, "SELECT id FROM pattern WHERE measurement = ?");
  query.bind(1, measurement);
  if (query.executeStep()) return query.getColumn(0).getInt64();
  SQLite::Statement insert(db, "INSERT INTO pattern(pane, measurement) VALUES(?, ?)");
  SQLite::bind(insert, pane, measurement);
  insert.exec();
  const std::int64_t id = db.getLastInsertRowid();
  SQLite::Statement source(db, "INSERT INTO pattern_source VALUES(?, ?)");
  SQLite::bind(source, id, measurement);
  source.exec();
  return id;
}

std::optional<Error> refused(const std::vector<Photo>& photos) {
  if (photos.size() > kMostPhotos) {
    return Error{Code::too_large, "over " + std::to_string(kMostPhotos) + " photos of one pane"};
  }
  for (const Photo& photo : photos) {
    if (photo.small_jpeg.size() > kMostCopyBytes) {
      return Error{Code::too_large, "the small copy of '" + photo.name + "' is over 1 MB"};
    }
  }
  return std::nullopt;
}

std::optional<Error> refused_names(const Vehicle& vehicle, const Pane& pane,
                                   const std::vector<Photo>& photos, const Stamp& stamp) {
  if (auto why = library::refused(vehicle)) return why;
  if (auto why = library::refused(pane)) return why;
  if (auto why = library::refused(stamp)) return why;
  return refused(photos);
}

bool belongs(SQLite::Database& db, std::int64_t measurement, std::int64_t pane) {
  SQLite::Statement query(db, "SELECT 1 FROM measurement WHERE id = ? AND pane = ?");
  SQLite::bind(query, measurement, pane);
  return query.executeStep();
}

}  // namespace

Library::Library(std::unique_ptr<Store> store) : store_(std::move(store)) {}
Library::Library(Library&&) noexcept = default;
Library& Library::operator=(Library&&) noexcept = default;
Library::~Library() = default;

Result<Library> Library::open(const std::string& path, const Opening& how) {
  auto store = Store::open(path, how);
  if (!store.ok()) return store.error();
  return Library(std::move(store).value());
}

std::optional<Error> Library::cannot_add(const Vehicle& vehicle, const Pane& pane,
                                         const std::string& result_json,
                                         const std::vector<Photo>& photos, const Stamp& stamp) {
  if (auto why = refused_names(vehicle, pane, photos, stamp)) return why;
  const auto kept = keep(result_json, "result");
  return kept.ok() ? std::nullopt : std::optional(kept.error());
}

Result<Added> Library::add(const Vehicle& vehicle, const Pane& pane, const std::string& result_json,
                           const std::vector<Photo>& photos, const Stamp& stamp,
                           bool put_in_force) {
  if (auto why = refused_names(vehicle, pane, photos, stamp)) return *why;
  const auto kept = keep(result_json, "result");
  if (!kept.ok()) return kept.error();
  const std::string record = pack(kept.value());
  return store_->change([&]() -> Result<Added> {
    SQLite::Database& db = store_->db();
    if (auto same = known(db, text(sha256(record)), photos)) return *same;
    Added added;
    const std::int64_t change = new_change(db, stamp);
    added.vehicle = vehicle_for(db, vehicle, change);
    Place place = pane_for(db, added.vehicle, pane);
    added.pane = place.pane;
    if (place.fresh) revise_pane(db, place.pane, place.state, change);
    added.measurement = insert_measurement(db, 0, added.pane, change, kept.value(), record);
    insert_photos(db, added.measurement, photos);
    added.in_force = put_in_force || !place.state.pattern;
    if (added.in_force) {
      place.state.pattern = pattern_of_measurement(db, added.pane, added.measurement);
      revise_pane(db, added.pane, place.state, change);
    }
    return added;
  });
}

Result<Added> Library::with_photo(const Sha256& hash) const {
  return store_->read([&]() -> Result<Added> {
    return known(store_->db(), {}, {{"", hash, ""}}).value_or(Added{});
  });
}

Result<bool> Library::set_failure(const Sha256& photo, const std::string& how,
                                  const std::string& why) {
  return store_->change([&]() -> Result<bool> {
    SQLite::Statement insert(store_->db(), "INSERT OR REPLACE INTO photo_failed VALUES(?, ?, ?)");
    bind_blob(insert, 1, text(photo));
    insert.bind(2, how);
    insert.bind(3, why);
    insert.exec();
    return true;
  });
}

Result<std::optional<std::string>> Library::failure(const Sha256& photo,
                                                    const std::string& how) const {
  using Why = std::optional<std::string>;
  return store_->read([&]() -> Result<Why> {
    SQLite::Statement query(store_->db(),
                            "SELECT why FROM photo_failed WHERE hash = ? AND how = ?");
    bind_blob(query, 1, text(photo));
    query.bind(2, how);
    return query.executeStep() ? Why(query.getColumn(0).getString()) : Why();
  });
}

Result<std::int64_t> Library::change_vehicle(std::int64_t vehicle, const Vehicle& to,
                                             const Stamp& stamp) {
  if (auto why = library::refused(to)) return *why;
  if (auto why = library::refused(stamp)) return *why;
  return store_->change([&]() -> Result<std::int64_t> {
    SQLite::Database& db = store_->db();
    if (!vehicle_state(db, vehicle)) return no_such(*store_, "vehicle", vehicle);
    return revise_vehicle(db, vehicle, to, new_change(db, stamp));
  });
}

Result<std::int64_t> Library::change_pane(std::int64_t pane, const Pane& to, const Stamp& stamp) {
  if (auto why = library::refused(to)) return *why;
  if (auto why = library::refused(stamp)) return *why;
  return store_->change([&]() -> Result<std::int64_t> {
    SQLite::Database& db = store_->db();
    auto state = pane_state(db, pane);
    if (!state) return no_such(*store_, "pane", pane);
    state->about = to;
    return revise_pane(db, pane, *state, new_change(db, stamp));
  });
}

Result<std::int64_t> Library::put_in_force(std::int64_t pane, std::int64_t measurement,
                                           const Stamp& stamp) {
  if (auto why = library::refused(stamp)) return *why;
  return store_->change([&]() -> Result<std::int64_t> {
    SQLite::Database& db = store_->db();
    auto state = pane_state(db, pane);
    if (!state) return no_such(*store_, "pane", pane);
    if (!belongs(db, measurement, pane))
      return no_such(*store_, "such measurement of it:", measurement);
    state->pattern = pattern_of_measurement(db, pane, measurement);
    return revise_pane(db, pane, *state, new_change(db, stamp));
  });
}

Result<std::int64_t> Library::put_in_force(std::int64_t pane, const std::string& result_json,
                                           const std::vector<std::int64_t>& made_from,
                                           const Stamp& stamp) {
  if (auto why = library::refused(stamp)) return *why;
  const auto kept = keep(result_json, "combined result");
  if (!kept.ok()) return kept.error();
  const std::string record = pack(kept.value());
  return store_->change([&]() -> Result<std::int64_t> {
    SQLite::Database& db = store_->db();
    auto state = pane_state(db, pane);
    if (!state) return no_such(*store_, "pane", pane);
    SQLite::Statement insert(db, "INSERT INTO pattern(pane, record) VALUES(?, ?)");
    insert.bind(1, pane);
    bind_blob(insert, 2, record);
    insert.exec();
    state->pattern = db.getLastInsertRowid();
    for (const std::int64_t measurement : made_from) {
      if (!belongs(db, measurement, pane))
        return no_such(*store_, "such measurement of it:", measurement);
      SQLite::Statement source(db, "INSERT INTO pattern_source VALUES(?, ?)");
      SQLite::bind(source, *state->pattern, measurement);
      source.exec();
    }
    return revise_pane(db, pane, *state, new_change(db, stamp));
  });
}

Result<std::int64_t> Library::set_piece(std::int64_t pane, const std::string& name,
                                        const std::string& piece_json, const Stamp& stamp) {
  if (auto why = library::refused(stamp)) return *why;
  if (auto why = library::refused(Pane{name, "", ""})) return *why;
  if (piece_json.size() > kMostPieceBytes) return Error{Code::too_large, "the piece is over 8 MB"};
  if (const auto why = records::json_trouble(piece_json)) {
    return Error{Code::unreadable_file, "the piece's file: " + *why};
  }
  const auto json = nlohmann::ordered_json::parse(piece_json);
  if (!json.is_object()) return Error{Code::unreadable_file, "the piece's file is no JSON object"};
  return store_->change([&]() -> Result<std::int64_t> {
    SQLite::Database& db = store_->db();
    auto state = pane_state(db, pane);
    if (!state) return no_such(*store_, "pane", pane);
    const auto same_name = [&](std::int64_t piece) {
      SQLite::Statement query(db, "SELECT 1 FROM piece WHERE id = ? AND name = ?");
      SQLite::bind(query, piece, name);
      return query.executeStep();
    };
    std::erase_if(state->pieces, same_name);
    SQLite::Statement insert(db, "INSERT INTO piece(pane, name, record) VALUES(?, ?, ?)");
    SQLite::bind(insert, pane, name);
    bind_blob(insert, 3, deflated(json.dump()));
    insert.exec();
    state->pieces.push_back(db.getLastInsertRowid());
    return revise_pane(db, pane, *state, new_change(db, stamp));
  });
}

Result<std::int64_t> Library::restore(std::int64_t pane, std::int64_t revision,
                                      const Stamp& stamp) {
  if (auto why = library::refused(stamp)) return *why;
  return store_->change([&]() -> Result<std::int64_t> {
    SQLite::Database& db = store_->db();
    const auto state = pane_state(db, pane, revision);
    if (!state)
      return no_such(*store_, "such revision of pane " + std::to_string(pane) + ":", revision);
    return revise_pane(db, pane, *state, new_change(db, stamp));
  });
}

Result<std::int64_t> Library::restore_vehicle(std::int64_t vehicle, std::int64_t revision,
                                              const Stamp& stamp) {
  if (auto why = library::refused(stamp)) return *why;
  return store_->change([&]() -> Result<std::int64_t> {
    SQLite::Database& db = store_->db();
    const auto state = vehicle_state(db, vehicle, revision);
    if (!state) {
      return no_such(*store_, "such revision of vehicle " + std::to_string(vehicle) + ":",
                     revision);
    }
    return revise_vehicle(db, vehicle, *state, new_change(db, stamp));
  });
}

}  // namespace panecard::library
