#include "library/records.h"

#include <nlohmann/json.hpp>

#include "library/index.h"
#include "library/texts.h"

namespace panecard::library {
namespace {

constexpr std::size_t kName = 200, kNotes = 4000;  // bytes

std::string field(const nlohmann::json& head, const char* key) {
  const auto found = head.find(key);
  return found != head.end() && found->is_string() ? found->get<std::string>() : std::string();
}

/// Nothing that a person would see.
bool blank(const std::string& text) {
  return text.find_first_not_of(" \t\r\n\v\f") == std::string::npos;
}

}  // namespace

std::optional<Error> not_text(const Vehicle& v) {
  if (auto why = refused("the make", v.make, kName)) return why;
  if (auto why = refused("the model", v.model, kName)) return why;
  if (auto why = refused("years", v.years, kName)) return why;
  if (auto why = refused("the body", v.body, kName)) return why;
  return refused("the vehicle's notes", v.notes, kNotes);
}

std::optional<Error> not_text(const Pane& p) {
  if (auto why = refused("the window", p.window, kName)) return why;
  if (auto why = refused("the side", p.side, kName)) return why;
  return refused("the pane's notes", p.notes, kNotes);
}

std::optional<Error> not_text(const Stamp& s) {
  constexpr std::size_t kShort = 200, kReason = 2000;
  if (auto why = refused("the time", s.at, kShort)) return why;
  if (auto why = refused("the name", s.who, kShort)) return why;
  return refused("the reason", s.reason, kReason);
}

std::optional<Error> refused(const Vehicle& v) {
  if (blank(v.make) && blank(v.model)) {
    return Error{Code::bad_usage, "name the vehicle: its make, its model or both"};
  }
  return not_text(v);
}

std::optional<Error> refused(const Pane& p) {
  if (blank(p.window)) return Error{Code::bad_usage, "name the window, as in 'front door'"};
  return not_text(p);
}

std::optional<Error> refused(const Stamp& s) {
  if (blank(s.reason)) {
    return Error{Code::bad_usage, "say why: a change needs its reason"};
  }
  return not_text(s);
}

Error no_such(const Store& store, const std::string& what, std::int64_t number) {
  return {Code::bad_usage, "library '" + store.path() + "' has no " + what + " " +
                               std::to_string(number) + "; library find lists them"};
}

Error in_place(const Store& store, const std::string& what, std::int64_t number,
               const Error& error) {
  return {error.code, "library '" + store.path() + "', " + what + " " + std::to_string(number) +
                          ": " + error.detail};
}

std::string blob(const SQLite::Column& column) {
  const auto* bytes = static_cast<const char*>(column.getBlob());
  return bytes == nullptr ? std::string()
                          : std::string(bytes, static_cast<std::size_t>(column.getBytes()));
}

std::int64_t new_change(SQLite::Database& db, const Stamp& stamp) {
  SQLite::Statement insert(db, "INSERT INTO change(at, who, reason) VALUES(?, ?, ?)");
  SQLite::bind(insert, stamp.at, stamp.who, stamp.reason);
  insert.exec();
  return db.getLastInsertRowid();
}

Stamp stamp_at(SQLite::Statement& row, int first) {
  return {row.getColumn(first).getString(), row.getColumn(first + 1).getString(),
          row.getColumn(first + 2).getString()};
}

Vehicle vehicle_at(SQLite::Statement& row, int first) {
  return {row.getColumn(first).getString(), row.getColumn(first + 1).getString(),
          row.getColumn(first + 2).getString(), row.getColumn(first + 3).getString(),
          row.getColumn(first + 4).getString()};
}

std::int64_t newest_pane_revision(SQLite::Database& db, std::int64_t pane) {
  SQLite::Statement query(db, "SELECT coalesce(max(number), 0) FROM pane_revision WHERE pane = ?");
  query.bind(1, pane);
  query.executeStep();
  return query.getColumn(0).getInt64();
}

std::optional<PaneState> pane_state(SQLite::Database& db, std::int64_t pane,
                                    std::optional<std::int64_t> revision) {
  const std::int64_t number = revision.value_or(newest_pane_revision(db, pane));
  SQLite::Statement query(
      db, "SELECT window, side, notes, pattern FROM pane_revision WHERE pane = ? AND number = ?");
  SQLite::bind(query, pane, number);
  if (!query.executeStep()) return std::nullopt;
  PaneState state;
  state.about = {query.getColumn(0).getString(), query.getColumn(1).getString(),
                 query.getColumn(2).getString()};
  if (!query.getColumn(3).isNull()) state.pattern = query.getColumn(3).getInt64();
  SQLite::Statement pieces(
      db, "SELECT piece FROM revision_piece WHERE pane = ? AND number = ? ORDER BY piece");
  SQLite::bind(pieces, pane, number);
  while (pieces.executeStep()) state.pieces.push_back(pieces.getColumn(0).getInt64());
  return state;
}

std::optional<Vehicle> vehicle_state(SQLite::Database& db, std::int64_t vehicle,
                                     std::optional<std::int64_t> revision) {
  SQLite::Statement query(db,
                          "SELECT make, model, years, body, notes FROM vehicle_revision "
                          "WHERE vehicle = ?1 AND number = coalesce(?2, (SELECT max(number) "
                          "FROM vehicle_revision WHERE vehicle = ?1))");
  query.bind(1, vehicle);
  if (revision) query.bind(2, *revision);
  if (!query.executeStep()) return std::nullopt;
  return vehicle_at(query, 0);
}

std::int64_t revise_pane(SQLite::Database& db, std::int64_t pane, const PaneState& state,
                         std::int64_t change) {
  const std::int64_t number = newest_pane_revision(db, pane) + 1;
  SQLite::Statement insert(db, "INSERT INTO pane_revision VALUES(?, ?, ?, ?, ?, ?, ?)");
  SQLite::bind(insert, pane, number, change, state.about.window, state.about.side,
               state.about.notes);
  constexpr int kPattern = 7;
  if (state.pattern) insert.bind(kPattern, *state.pattern);
  insert.exec();
  for (const std::int64_t piece : state.pieces) {
    SQLite::Statement link(db, "INSERT INTO revision_piece VALUES(?, ?, ?)");
    SQLite::bind(link, pane, number, piece);
    link.exec();
  }
  index_pane(db, pane);
  return number;
}

std::int64_t revise_vehicle(SQLite::Database& db, std::int64_t vehicle, const Vehicle& v,
                            std::int64_t change) {
  SQLite::Statement newest(
      db, "SELECT coalesce(max(number), 0) FROM vehicle_revision WHERE vehicle = ?");
  newest.bind(1, vehicle);
  newest.executeStep();
  const std::int64_t number = newest.getColumn(0).getInt64() + 1;
  SQLite::Statement insert(db, "INSERT INTO vehicle_revision VALUES(?, ?, ?, ?, ?, ?, ?, ?)");
  SQLite::bind(insert, vehicle, number, change, v.make, v.model, v.years, v.body, v.notes);
  insert.exec();
  index_vehicle(db, vehicle);
  return number;
}

std::int64_t insert_measurement(SQLite::Database& db, std::int64_t id, std::int64_t pane,
                                std::int64_t change, const Kept& kept, const std::string& record) {
  const auto head = nlohmann::json::parse(kept.head);
  const auto photo = head.find("photo");
  const std::string photo_name =
      photo != head.end() && photo->is_object() ? field(*photo, "name") : std::string();
  SQLite::Statement insert(db, "INSERT INTO measurement VALUES(?, ?, ?, ?, ?, ?, ?, ?)");
  if (id != 0) insert.bind(1, id);
  const auto text_at = [&](int index, const std::string& text) { insert.bind(index, text); };
  insert.bind(2, pane), insert.bind(3, change);
  text_at(4, field(head, "boundary")), text_at(5, field(head, "lens")), text_at(6, photo_name);
  constexpr int kDigest = 7, kRecord = 8;
  const Sha256 digest = sha256(record);
  insert.bind(kDigest, static_cast<const void*>(digest.data()), static_cast<int>(digest.size()));
  insert.bind(kRecord, static_cast<const void*>(record.data()), static_cast<int>(record.size()));
  insert.exec();
  return db.getLastInsertRowid();
}

std::optional<std::string> measurement_record(SQLite::Database& db, std::int64_t measurement) {
  SQLite::Statement query(db, "SELECT record FROM measurement WHERE id = ?");
  query.bind(1, measurement);
  if (!query.executeStep()) return std::nullopt;
  return blob(query.getColumn(0));
}

std::optional<std::string> pattern_record(SQLite::Database& db, std::int64_t pattern) {
  SQLite::Statement query(db,
                          "SELECT coalesce(p.record, m.record) FROM pattern AS p "
                          "LEFT JOIN measurement AS m ON m.id = p.measurement WHERE p.id = ?");
  query.bind(1, pattern);
  if (!query.executeStep()) return std::nullopt;
  return blob(query.getColumn(0));
}

}  // namespace panecard::library
