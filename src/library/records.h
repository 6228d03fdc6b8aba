// Reading and writing of single records, inside a transaction of the caller's.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "library/keep.h"
#include "library/library.h"
#include "library/store.h"

namespace panecard::library {

/// Texts that cannot be kept; nothing is said of those that are missing.
std::optional<Error> not_text(const Vehicle& vehicle);
std::optional<Error> not_text(const Pane& pane);
std::optional<Error> not_text(const Stamp& stamp);

/// The same for what is new: it must also be named.
std::optional<Error> refused(const Vehicle& vehicle);
std::optional<Error> refused(const Pane& pane);
std::optional<Error> refused(const Stamp& stamp);

Error no_such(const Store& store, const std::string& what, std::int64_t number);

/// A record's error with where it stands: "library 'l', measurement 4: the record is damaged; ...".
Error in_place(const Store& store, const std::string& what, std::int64_t number,
               const Error& error);

std::int64_t new_change(SQLite::Database& db, const Stamp& stamp);
/// A row's columns at, who and reason, in that order.
Stamp stamp_at(SQLite::Statement& row, int first);
/// A row's columns make, model, years, body and notes, in that order.
Vehicle vehicle_at(SQLite::Statement& row, int first);

struct PaneState {
  Pane about;
  std::optional<std::int64_t> pattern;
  std::vector<std::int64_t> pieces;
};
/// The newest revision, or the one that is asked for; nothing when there is none.
std::optional<PaneState> pane_state(SQLite::Database& db, std::int64_t pane,
                                    std::optional<std::int64_t> revision = std::nullopt);
std::optional<Vehicle> vehicle_state(SQLite::Database& db, std::int64_t vehicle,
                                     std::optional<std::int64_t> revision = std::nullopt);
std::int64_t newest_pane_revision(SQLite::Database& db, std::int64_t pane);

/// A new revision; its number.
std::int64_t revise_pane(SQLite::Database& db, std::int64_t pane, const PaneState& state,
                         std::int64_t change);
std::int64_t revise_vehicle(SQLite::Database& db, std::int64_t vehicle, const Vehicle& state,
                            std::int64_t change);

/// The packed record of a pattern, its own or its measurement's.
std::optional<std::string> pattern_record(SQLite::Database& db, std::int64_t pattern);
std::optional<std::string> measurement_record(SQLite::Database& db, std::int64_t measurement);

/// @param id  0: the next one
std::int64_t insert_measurement(SQLite::Database& db, std::int64_t id, std::int64_t pane,
                                std::int64_t change, const Kept& kept, const std::string& record);

std::string blob(const SQLite::Column& column);

}  // namespace panecard::library
