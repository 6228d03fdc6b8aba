// An exported folder into a library: all of it into an empty one, into another what is new there.
//
// Numbers differ from library to library. What is the same in both is known by what it says: a
// vehicle and a pane by their first revision, a measurement by the hash of its record, and a pane
// also by a measurement that it has already.
#include <algorithm>
#include <map>
#include <set>

#include "library/folder.h"
#include "library/index.h"
#include "library/pack.h"
#include "library/records.h"

namespace panecard::library {
namespace {

void bind_blob(SQLite::Statement& statement, int index, const std::string& bytes) {
  statement.bind(index, static_cast<const void*>(bytes.data()), static_cast<int>(bytes.size()));
}

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

std::string called(const Vehicle& v) {
  return v.make + (v.make.empty() || v.model.empty() ? "" : " ") + v.model;
}

/// How many of their revisions are known here already; the others follow on ours. Nothing: both
/// went on, each its own way.
std::optional<std::size_t> known_of(const std::vector<Said>& ours,
                                    const std::vector<Said>& theirs) {
  std::size_t same = 0;
  while (same < std::min(ours.size(), theirs.size()) && ours[same] == theirs[same]) ++same;
  if (same == theirs.size() || same == ours.size()) return same;
  // Where one side has come to what the other says, by whatever way, that side is behind.
  for (std::size_t k = same; k < ours.size(); ++k) {
    if (ours[k].state == theirs.back().state) return theirs.size();
  }
  for (std::size_t k = theirs.size(); k > same; --k) {
    if (theirs[k - 1].state == ours.back().state) return k;
  }
  return std::nullopt;
}

class Import {
 public:
  Import(SQLite::Database& db, fs::path folder, bool theirs_hold)
      : db_(db), theirs_(std::move(folder)), theirs_hold_(theirs_hold) {}

  Imported run() {
    keeps_numbers_ = !query("SELECT id FROM vehicle UNION SELECT id FROM change LIMIT 1");
    if (keeps_numbers_) {
      for (const auto& [id, stamp] : theirs_.stamps()) insert_change(id, stamp), changes_[id] = id;
    } else {
      read_ours();
    }
    db_.exec("PRAGMA defer_foreign_keys = ON");
    for (const fs::path& folder : theirs_.vehicles()) take_vehicle(theirs_.vehicle(folder));
    return std::move(report_);
  }

 private:
  std::optional<std::int64_t> query(const std::string& sql, const std::string& key = {}) {
    SQLite::Statement statement(db_, sql);
    if (!key.empty()) bind_blob(statement, 1, key);
    if (!statement.executeStep()) return std::nullopt;
    return statement.getColumn(0).getInt64();
  }

  /// What is here already, by what it says.
  void read_ours() {
    const auto at = [](SQLite::Statement& s, int i) { return s.getColumn(i).getString(); };
    take_changes();
    SQLite::Statement vehicles(
        db_,
        "SELECT r.vehicle, c.at, c.who, c.reason, r.make, r.model, r.years, r.body, r.notes "
        "FROM vehicle_revision AS r JOIN change AS c ON c.id = r.change WHERE r.number = 1 "
        "ORDER BY r.vehicle");
    while (vehicles.executeStep()) {
      const Said first{of(stamp_at(vehicles, 1)), of(vehicle_at(vehicles, 4))};
      our_vehicles_.emplace(first.all(), vehicles.getColumn(0).getInt64());
    }
    SQLite::Statement panes(
        db_,
        "SELECT r.pane, c.at, c.who, c.reason, r.window, r.side, r.notes, p.vehicle "
        "FROM pane_revision AS r JOIN change AS c ON c.id = r.change "
        "JOIN pane AS p ON p.id = r.pane WHERE r.number = 1 ORDER BY r.pane");
    while (panes.executeStep()) {
      const std::string first =
          joined({of(stamp_at(panes, 1)), of(Pane{at(panes, 4), at(panes, 5), at(panes, 6)})});
      our_panes_.emplace(std::pair(panes.getColumn(7).getInt64(), first),
                         panes.getColumn(0).getInt64());
    }
  }

  void insert_change(std::int64_t id, const Stamp& stamp) {
    SQLite::Statement insert(db_, "INSERT INTO change VALUES(?, ?, ?, ?)");
    SQLite::bind(insert, id, stamp.at, stamp.who, stamp.reason);
    insert.exec();
  }

  std::int64_t change_here(std::int64_t change) const {
    return theirs_.at_change(changes_, change);
  }

  /// Their changes in their order, which is that of the history; those that are here already, by
  /// their stamps, as ours.
  void take_changes() {
    std::map<std::string, std::vector<std::int64_t>> ours;  // the last first
    SQLite::Statement rows(db_, "SELECT id, at, who, reason FROM change ORDER BY id DESC");
    while (rows.executeStep()) {
      ours[of(stamp_at(rows, 1))].push_back(rows.getColumn(0).getInt64());
    }
    for (const auto& [id, stamp] : theirs_.stamps()) {
      std::vector<std::int64_t>& same = ours[of(stamp)];
      if (same.empty()) {
        changes_[id] = new_change(db_, stamp);
      } else {
        changes_[id] = same.back();
        same.pop_back();
      }
    }
  }

  std::int64_t number_for(std::int64_t theirs) const { return keeps_numbers_ ? theirs : 0; }

  void take_vehicle(const TheirVehicle& theirs) {
    const std::vector<Said>& said = theirs.said;
    std::int64_t vehicle = vehicle_here(said.front(), theirs.panes);
    std::optional<std::size_t> known = 0;
    if (vehicle == 0) {
      vehicle = insert_vehicle(number_for(theirs.id));
    } else {
      known = known_here(
          said_of_vehicle(vehicle), said,
          "vehicle " + std::to_string(vehicle) + ", '" + called(theirs.states.back()) + "'");
    }
    for (std::size_t k = known.value_or(said.size()); k < said.size(); ++k) {
      revise_vehicle(db_, vehicle, theirs.states[k], change_here(theirs.changes[k]));
    }
    for (const TheirPane& pane : theirs.panes) take_pane(vehicle, pane, theirs.states.back());
  }

  /// known_of(), and what that means for the report.
  std::optional<std::size_t> known_here(const std::vector<Said>& ours,
                                        const std::vector<Said>& theirs, const std::string& name) {
    auto known = known_of(ours, theirs);
    if (!known && theirs_hold_) {
      std::size_t same = 0;
      while (ours[same] == theirs[same]) ++same;
      known = same;
    }
    if (!known) {
      report_.both_changed.push_back(name);
    } else if (*known < theirs.size()) {
      ++report_.brought_on;
    }
    return known;
  }

  std::int64_t insert_vehicle(std::int64_t id) {
    SQLite::Statement insert(db_, "INSERT INTO vehicle VALUES(?)");
    if (id != 0) insert.bind(1, id);
    insert.exec();
    return db_.getLastInsertRowid();
  }

  /// By its first revision, each of ours once; else by a measurement that is here.
  std::int64_t vehicle_here(const Said& first, const std::vector<TheirPane>& panes) {
    const auto [begin, end] = our_vehicles_.equal_range(first.all());
    for (auto at = begin; at != end; ++at) {
      if (taken_vehicles_.insert(at->second).second) return at->second;
    }
    for (const TheirPane& pane : panes) {
      const std::int64_t here = pane_with(pane);
      if (here == 0) continue;
      SQLite::Statement statement(db_, "SELECT vehicle FROM pane WHERE id = ?");
      statement.bind(1, here);
      if (statement.executeStep()) return statement.getColumn(0).getInt64();
    }
    return 0;
  }

  std::vector<Said> said_of_vehicle(std::int64_t vehicle) {
    std::vector<Said> out;
    SQLite::Statement rows(db_,
                           "SELECT c.at, c.who, c.reason, r.make, r.model, r.years, r.body, "
                           "r.notes FROM vehicle_revision AS r JOIN change AS c ON c.id = "
                           "r.change WHERE r.vehicle = ? ORDER BY r.number");
    rows.bind(1, vehicle);
    while (rows.executeStep()) {
      out.push_back({of(stamp_at(rows, 0)), of(vehicle_at(rows, 3))});
    }
    return out;
  }

  Names our_patterns(std::int64_t pane) {
    Names out;
    SQLite::Statement rows(db_,
                           "SELECT p.id, p.record, m.digest FROM pattern AS p LEFT JOIN "
                           "measurement AS m ON m.id = p.measurement WHERE p.pane = ?");
    rows.bind(1, pane);
    while (rows.executeStep()) {
      std::vector<std::string> sources;
      SQLite::Statement source(db_,
                               "SELECT m.digest FROM pattern_source AS s JOIN measurement AS m "
                               "ON m.id = s.measurement WHERE s.pattern = ?");
      source.bind(1, rows.getColumn(0).getInt64());
      while (source.executeStep()) sources.push_back(blob(source.getColumn(0)));
      std::sort(sources.begin(), sources.end());
      const std::string what = rows.getColumn(1).isNull()
                                   ? blob(rows.getColumn(2))
                                   : bytes_of(sha256(blob(rows.getColumn(1))));
      out[rows.getColumn(0).getInt64()] = joined({what, joined(sources)});
    }
    return out;
  }

  Names our_pieces(std::int64_t pane) {
    Names out;
    SQLite::Statement rows(db_, "SELECT id, name, record FROM piece WHERE pane = ?");
    rows.bind(1, pane);
    while (rows.executeStep()) {
      const std::int64_t id = rows.getColumn(0).getInt64();
      const auto record = unpack_piece(blob(rows.getColumn(2)));
      if (!record.ok()) {
        throw Refusal{"here, piece " + std::to_string(id) + ": " + record.error().detail};
      }
      out[id] = joined({rows.getColumn(1).getString(), record.value()});
    }
    return out;
  }

  std::vector<Said> said_of_pane(std::int64_t pane) {
    const Names patterns = our_patterns(pane), pieces = our_pieces(pane);
    std::vector<Said> out;
    SQLite::Statement rows(db_,
                           "SELECT r.number, c.at, c.who, c.reason FROM pane_revision AS r JOIN "
                           "change AS c ON c.id = r.change WHERE r.pane = ? ORDER BY r.number");
    rows.bind(1, pane);
    while (rows.executeStep()) {
      const auto state = pane_state(db_, pane, rows.getColumn(0).getInt64()).value_or(PaneState{});
      out.push_back({of(stamp_at(rows, 1)),
                     theirs_.state_of(state.about, state.pattern, state.pieces, patterns, pieces)});
    }
    return out;
  }

  /// Our pane that has one of these measurements; 0: none has.
  std::int64_t pane_with(const TheirPane& pane) {
    if (keeps_numbers_) return 0;
    for (const Record& r : pane.measurements) {
      if (auto here = query("SELECT pane FROM measurement WHERE digest = ?", r.digest))
        return *here;
    }
    return 0;
  }

  std::int64_t pane_here(std::int64_t vehicle, const TheirPane& pane) {
    const std::int64_t here = pane_with(pane);
    if (here != 0) return here;
    const Json& first = pane.json->at("revisions").front();
    const std::string said =
        joined({pane.said.front().stamp,
                of(Pane{text(first, "window"), text(first, "side"), text(first, "notes")})});
    const auto [begin, end] = our_panes_.equal_range(std::pair(vehicle, said));
    for (auto at = begin; at != end; ++at) {
      if (taken_panes_.insert(at->second).second) return at->second;
    }
    return 0;
  }

  void take_pane(std::int64_t vehicle, const TheirPane& theirs, const Vehicle& about) {
    std::int64_t pane = pane_here(vehicle, theirs);
    std::size_t known = 0;
    bool follows = true;
    if (pane == 0) {
      pane = insert_pane(vehicle, whole(*theirs.json, "id"));
      ++report_.fresh;
    } else {
      const auto here = known_pane(pane, theirs, about);
      follows = here.has_value();
      known = here.value_or(0);
      if (follows && known == theirs.said.size()) ++report_.known;
    }
    std::map<std::int64_t, std::int64_t> measurements;
    for (const Record& r : theirs.measurements) {
      measurements[r.id] = take_measurement(pane, r, theirs);
    }
    if (follows) revise(pane, theirs, known, measurements);
  }

  std::int64_t insert_pane(std::int64_t vehicle, std::int64_t id) {
    SQLite::Statement insert(db_, "INSERT INTO pane VALUES(?, ?)");
    if (keeps_numbers_) insert.bind(1, id);
    insert.bind(2, vehicle);
    insert.exec();
    return db_.getLastInsertRowid();
  }

  std::optional<std::size_t> known_pane(std::int64_t pane, const TheirPane& theirs,
                                        const Vehicle& about) {
    const Json& now = theirs.json->at("revisions").back();
    const std::string side = text(now, "side");
    const std::string name = "pane " + std::to_string(pane) + ", '" + called(about) + ", " +
                             text(now, "window") + (side.empty() ? "" : " " + side) + "'";
    if (one_pane(pane, theirs)) return known_here(said_of_pane(pane), theirs.said, name);
    report_.both_changed.push_back(name);
    return std::nullopt;
  }

  /// One of their panes may be two of ours, or the other way round: no pattern follows from that.
  bool one_pane(std::int64_t pane, const TheirPane& theirs) {
    if (keeps_numbers_) return true;
    for (const Record& r : theirs.measurements) {
      const auto at = query("SELECT pane FROM measurement WHERE digest = ?", r.digest);
      if (at && *at != pane) return false;
    }
    return true;
  }

  /// What is measured is never lost, whoever's pattern is in force.
  std::int64_t take_measurement(std::int64_t pane, const Record& r, const TheirPane& theirs) {
    const auto here = query("SELECT id FROM measurement WHERE digest = ?", r.digest);
    if (here && !keeps_numbers_) return *here;
    const std::int64_t id =
        insert_measurement(db_, number_for(r.id), pane, change_here(r.change), r.kept, r.record);
    std::int64_t number = 0;
    for (const Json& photo : *r.photos) {
      const std::string hash = text(photo, "sha256"), bytes = bytes_of_hex(hash);
      SQLite::Statement insert(db_, "INSERT INTO photo VALUES(?, ?, ?, ?)");
      SQLite::bind(insert, id, ++number, text(photo, "name"));
      bind_blob(insert, 4, bytes);
      insert.exec();
      if (!photo.at("copy").get<bool>()) continue;
      SQLite::Statement copy(db_, "INSERT OR IGNORE INTO photo_copy VALUES(?, ?)");
      bind_blob(copy, 1, bytes);
      bind_blob(copy, 2, file_in(theirs.folder, "photo-" + hash + ".jpg"));
      copy.exec();
    }
    return id;
  }

  /// Their number of each as ours; what is not here comes in.
  template <typename Insert>
  static std::map<std::int64_t, std::int64_t> numbers_here(const Names& theirs, const Names& ours,
                                                           const Insert& insert) {
    std::map<std::int64_t, std::int64_t> out;
    std::multimap<std::string, std::int64_t> by_name;
    for (const auto& [id, name] : ours) by_name.emplace(name, id);
    for (const auto& [id, name] : theirs) {
      const auto found = by_name.find(name);
      out[id] = found != by_name.end() ? found->second : insert(id);
      if (found != by_name.end()) by_name.erase(found);
    }
    return out;
  }

  void revise(std::int64_t pane, const TheirPane& theirs, std::size_t known,
              const std::map<std::int64_t, std::int64_t>& measurements) {
    const auto patterns = numbers_here(
        theirs_.patterns(theirs), our_patterns(pane),
        [&](std::int64_t id) { return insert_pattern(pane, theirs, id, measurements); });
    const auto pieces =
        numbers_here(theirs_.pieces(theirs), our_pieces(pane),
                     [&](std::int64_t id) { return insert_piece(pane, theirs, id); });
    const Json& revisions = theirs.json->at("revisions");
    for (std::size_t k = known; k < theirs.said.size(); ++k) {
      const Json& r = revisions[k];
      PaneState state;
      state.about = {text(r, "window"), text(r, "side"), text(r, "notes")};
      if (!r.at("pattern").is_null()) state.pattern = patterns.at(whole(r, "pattern"));
      for (const Json& piece : r.at("pieces")) {
        state.pieces.push_back(pieces.at(piece.get<std::int64_t>()));
      }
      revise_pane(db_, pane, state, change_here(whole(r, "change")));
    }
  }

  static const Json& entry(const Json& list, std::int64_t id) {
    for (const Json& e : list) {
      if (whole(e, "id") == id) return e;
    }
    throw Refusal{"an entry is named that is not there"};
  }

  std::int64_t insert_pattern(std::int64_t pane, const TheirPane& theirs, std::int64_t id,
                              const std::map<std::int64_t, std::int64_t>& measurements) {
    const Json& json = entry(theirs.json->at("patterns"), id);
    SQLite::Statement insert(
        db_, "INSERT INTO pattern(id, pane, measurement, record) VALUES(?, ?, ?, ?)");
    if (keeps_numbers_) insert.bind(1, id);
    insert.bind(2, pane);
    if (json.at("measurement").is_null()) {
      bind_blob(insert, 4, theirs_.pattern_record(theirs, id));
    } else {
      insert.bind(3, measurements.at(whole(json, "measurement")));
    }
    insert.exec();
    const std::int64_t here = db_.getLastInsertRowid();
    for (const Json& source : json.at("made_from")) {
      SQLite::Statement link(db_, "INSERT INTO pattern_source VALUES(?, ?)");
      SQLite::bind(link, here, measurements.at(source.get<std::int64_t>()));
      link.exec();
    }
    return here;
  }

  std::int64_t insert_piece(std::int64_t pane, const TheirPane& theirs, std::int64_t id) {
    SQLite::Statement insert(db_, "INSERT INTO piece VALUES(?, ?, ?, ?)");
    if (keeps_numbers_) insert.bind(1, id);
    insert.bind(2, pane);
    insert.bind(3, text(entry(theirs.json->at("pieces"), id), "name"));
    bind_blob(insert, 4, deflated(theirs_.piece_record(theirs, id)));
    insert.exec();
    return db_.getLastInsertRowid();
  }

  SQLite::Database& db_;
  ExportedFolder theirs_;
  bool theirs_hold_ = false, keeps_numbers_ = false;
  std::map<std::int64_t, std::int64_t> changes_;  ///< theirs as ours
  std::multimap<std::string, std::int64_t> our_vehicles_;
  std::multimap<std::pair<std::int64_t, std::string>, std::int64_t> our_panes_;
  std::set<std::int64_t> taken_vehicles_, taken_panes_;
  Imported report_;
};

}  // namespace

Result<Imported> Library::import_from(const std::string& folder, bool theirs_hold) {
  return store_->change([&]() -> Result<Imported> {
    try {
      return Import(store_->db(), folder, theirs_hold).run();
    } catch (const Refusal& why) {
      return Error{Code::unreadable_file, why.what};
    } catch (const nlohmann::json::exception& e) {
      return Error{Code::unreadable_file, "'" + folder +
                                              "': a field is missing or of a wrong kind (" +
                                              std::string(e.what()) + ")"};
    } catch (const fs::filesystem_error& e) {
      return Error{Code::unreadable_file, "cannot read '" + folder + "': " + e.code().message()};
    } catch (const std::out_of_range&) {
      return Error{Code::unreadable_file,
                   "'" + folder + "' contradicts itself: something is named that is not there"};
    } catch (const SQLite::Exception& e) {
      return Error{Code::unreadable_file, "'" + folder + "' contradicts itself: " + e.what()};
    }
  });
}

}  // namespace panecard::library
