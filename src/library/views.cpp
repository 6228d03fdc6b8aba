// What is read out of the library.
#include <algorithm>
#include <filesystem>

#include "library/pack.h"
#include "library/records.h"

namespace panecard::library {
namespace {

std::optional<PaneLine> line_of(SQLite::Database& db, std::int64_t pane) {
  const auto state = pane_state(db, pane);
  SQLite::Statement query(db, "SELECT vehicle FROM pane WHERE id = ?");
  query.bind(1, pane);
  if (!state || !query.executeStep()) return std::nullopt;
  const auto vehicle = vehicle_state(db, query.getColumn(0).getInt64());
  return PaneLine{pane, vehicle.value_or(Vehicle{}), state->about};
}

std::vector<Photo> photos_of(SQLite::Database& db, std::int64_t measurement) {
  std::vector<Photo> out;
  SQLite::Statement query(db, "SELECT name, hash FROM photo WHERE measurement = ? ORDER BY number");
  query.bind(1, measurement);
  while (query.executeStep()) {
    Photo photo{query.getColumn(0).getString(), {}, {}};
    const std::string hash = blob(query.getColumn(1));
    std::copy_n(hash.begin(), std::min(hash.size(), photo.hash.size()), photo.hash.begin());
    out.push_back(std::move(photo));
  }
  return out;
}

std::vector<MeasurementLine> measurements_of(SQLite::Database& db, std::int64_t pane) {
  std::vector<MeasurementLine> out;
  SQLite::Statement query(db,
                          "SELECT m.id, m.boundary, m.lens, m.photo_name, c.at, c.who, c.reason "
                          "FROM measurement AS m JOIN change AS c ON c.id = m.change "
                          "WHERE m.pane = ? ORDER BY m.id");
  query.bind(1, pane);
  while (query.executeStep()) {
    MeasurementLine line{query.getColumn(0).getInt64(),
                         query.getColumn(1).getString(),
                         query.getColumn(2).getString(),
                         query.getColumn(3).getString(),
                         stamp_at(query, 4),
                         {}};
    line.photos = photos_of(db, line.id);
    out.push_back(std::move(line));
  }
  return out;
}

std::vector<std::int64_t> sources_of(SQLite::Database& db, std::int64_t pattern) {
  std::vector<std::int64_t> out;
  SQLite::Statement query(
      db, "SELECT measurement FROM pattern_source WHERE pattern = ? ORDER BY measurement");
  query.bind(1, pattern);
  while (query.executeStep()) out.push_back(query.getColumn(0).getInt64());
  return out;
}

Result<std::vector<PieceLine>> pieces_of(Store& store, const std::vector<std::int64_t>& pieces) {
  std::vector<PieceLine> out;
  for (const std::int64_t piece : pieces) {
    SQLite::Statement query(store.db(), "SELECT name, record FROM piece WHERE id = ?");
    query.bind(1, piece);
    if (!query.executeStep()) continue;
    auto json = unpack_piece(blob(query.getColumn(1)));
    if (!json.ok()) return in_place(store, "piece", piece, json.error());
    out.push_back({query.getColumn(0).getString(), std::move(json.value())});
  }
  return out;
}

std::string changes(const PaneState& state, const std::optional<PaneState>& before) {
  std::vector<std::string> what;
  if (!before) what.emplace_back("new pane");
  if (before && before->about.window != state.about.window) what.emplace_back("window");
  if (before && before->about.side != state.about.side) what.emplace_back("side");
  if (before && before->about.notes != state.about.notes) what.emplace_back("notes");
  if (state.pattern && (!before || before->pattern != state.pattern)) {
    what.emplace_back("pattern");
  }
  if (before && before->pattern && !state.pattern) what.emplace_back("without a pattern");
  if (before && before->pieces != state.pieces) what.emplace_back("pieces");
  std::string out;
  for (const std::string& word : what) out += (out.empty() ? "" : ", ") + word;
  return out.empty() ? "as before" : out;
}

std::string changes(const Vehicle& now, const std::optional<Vehicle>& before) {
  if (!before) return "new vehicle";
  std::string out;
  const auto differs = [&](const std::string& a, const std::string& b, const char* word) {
    if (a != b) out += (out.empty() ? "" : ", ") + std::string(word);
  };
  differs(now.make, before->make, "make");
  differs(now.model, before->model, "model");
  differs(now.years, before->years, "years");
  differs(now.body, before->body, "body");
  differs(now.notes, before->notes, "vehicle's notes");
  return out.empty() ? "as before" : out;
}

}  // namespace

Result<std::vector<PaneLine>> Library::panes() const {
  return store_->read([&]() -> Result<std::vector<PaneLine>> {
    std::vector<PaneLine> out;
    SQLite::Statement query(store_->db(),
                            "SELECT p.id, v.make, v.model, v.years, v.body, v.notes, n.window, "
                            "n.side, n.notes FROM pane AS p "
                            "JOIN vehicle_now AS v ON v.vehicle = p.vehicle "
                            "JOIN pane_now AS n ON n.pane = p.id ORDER BY p.id");
    const auto text = [&](int i) { return query.getColumn(i).getString(); };
    while (query.executeStep()) {
      out.push_back({query.getColumn(0).getInt64(),
                     {text(1), text(2), text(3), text(4), text(5)},
                     {text(6), text(7), text(8)}});
    }
    return out;
  });
}

Result<PaneView> Library::show(std::int64_t pane) const {
  return store_->read([&]() -> Result<PaneView> {
    SQLite::Database& db = store_->db();
    const auto state = pane_state(db, pane);
    const auto line = line_of(db, pane);
    if (!state || !line) return no_such(*store_, "pane", pane);
    PaneView view;
    view.line = *line;
    SQLite::Statement vehicle(db, "SELECT vehicle FROM pane WHERE id = ?");
    vehicle.bind(1, pane);
    vehicle.executeStep();
    view.vehicle_number = vehicle.getColumn(0).getInt64();
    view.revision = newest_pane_revision(db, pane);
    view.pattern = state->pattern;
    if (state->pattern) view.made_from = sources_of(db, *state->pattern);
    view.measurements = measurements_of(db, pane);
    auto pieces = pieces_of(*store_, state->pieces);
    if (!pieces.ok()) return pieces.error();
    view.pieces = std::move(pieces.value());
    return view;
  });
}

Result<std::vector<Revision>> Library::history(std::int64_t pane) const {
  return store_->read([&]() -> Result<std::vector<Revision>> {
    SQLite::Database& db = store_->db();
    SQLite::Statement query(
        db,
        "SELECT 0, r.number, c.at, c.who, c.reason, c.id FROM pane_revision AS r "
        "JOIN change AS c ON c.id = r.change WHERE r.pane = ?1 UNION ALL "
        "SELECT 1, r.number, c.at, c.who, c.reason, c.id FROM vehicle_revision AS r "
        "JOIN change AS c ON c.id = r.change "
        "JOIN pane AS p ON p.vehicle = r.vehicle WHERE p.id = ?1 "
        "ORDER BY 6, 1 DESC, 2");
    query.bind(1, pane);
    SQLite::Statement of(db, "SELECT vehicle FROM pane WHERE id = ?");
    of.bind(1, pane);
    if (!of.executeStep()) return no_such(*store_, "pane", pane);
    const std::int64_t vehicle = of.getColumn(0).getInt64();
    std::vector<Revision> out;
    std::optional<PaneState> pane_before;
    std::optional<Vehicle> vehicle_before;
    while (query.executeStep()) {
      Revision r{
          query.getColumn(0).getInt() == 1, query.getColumn(1).getInt64(), stamp_at(query, 2), {}};
      if (r.of_vehicle) {
        const auto now = vehicle_state(db, vehicle, r.number);
        r.what = changes(now.value_or(Vehicle{}), vehicle_before);
        vehicle_before = now;
      } else {
        const auto now = pane_state(db, pane, r.number);
        r.what = changes(now.value_or(PaneState{}), pane_before);
        pane_before = now;
      }
      out.push_back(std::move(r));
    }
    return out;
  });
}

namespace {

Result<Kept> kept_pattern(Store& store, std::int64_t pane) {
  return store.read([&]() -> Result<Kept> {
    const auto state = pane_state(store.db(), pane);
    if (!state) return no_such(store, "pane", pane);
    if (!state->pattern) return no_such(store, "pattern of pane", pane);
    const auto record = pattern_record(store.db(), *state->pattern);
    if (!record) return no_such(store, "pattern of pane", pane);
    auto kept = unpack(*record);
    if (!kept.ok()) return in_place(store, "pattern of pane", pane, kept.error());
    return kept;
  });
}

Result<Kept> kept_measurement(Store& store, std::int64_t measurement) {
  return store.read([&]() -> Result<Kept> {
    const auto record = measurement_record(store.db(), measurement);
    if (!record) return no_such(store, "measurement", measurement);
    auto kept = unpack(*record);
    if (!kept.ok()) return in_place(store, "measurement", measurement, kept.error());
    return kept;
  });
}

}  // namespace

Result<std::string> Library::pattern_json(std::int64_t pane) const {
  const auto kept = kept_pattern(*store_, pane);
  if (!kept.ok()) return kept.error();
  return to_result_json(kept.value());
}

Result<std::string> Library::measurement_json(std::int64_t measurement) const {
  const auto kept = kept_measurement(*store_, measurement);
  if (!kept.ok()) return kept.error();
  return to_result_json(kept.value());
}

Result<check::Shape> Library::pattern_shape(std::int64_t pane) const {
  const auto kept = kept_pattern(*store_, pane);
  if (!kept.ok()) return kept.error();
  return shape_of(kept.value());
}

Result<check::Shape> Library::measurement_shape(std::int64_t measurement) const {
  const auto kept = kept_measurement(*store_, measurement);
  if (!kept.ok()) return kept.error();
  return shape_of(kept.value());
}

Result<std::string> Library::photo_copy(std::int64_t measurement, const Sha256& hash) const {
  return store_->read([&]() -> Result<std::string> {
    SQLite::Statement query(store_->db(),
                            "SELECT c.jpeg FROM photo AS p JOIN photo_copy AS c ON c.hash = p.hash "
                            "WHERE p.measurement = ? AND p.hash = ?");
    query.bind(1, measurement);
    query.bind(2, static_cast<const void*>(hash.data()), static_cast<int>(hash.size()));
    if (!query.executeStep()) return std::string();
    return blob(query.getColumn(0));
  });
}

}  // namespace panecard::library
