#include "library/folder.h"

#include <algorithm>
#include <tuple>

#include "library/pack.h"
#include "library/records.h"
#include "records/records.h"

namespace panecard::library {
namespace {

constexpr std::size_t kMostFolders = 1'000'000;

/// Deep or crowded files are refused before they cost memory.
Json bounded_json(const fs::path& folder, const std::string& name) {
  const std::string bytes = file_in(folder, name);
  if (const auto why = records::json_trouble(bytes)) {
    throw Refusal{"'" + (folder / name).string() + "': " + *why};
  }
  return Json::parse(bytes);
}

Json json_in(const fs::path& folder, const std::string& name, const std::string& format) {
  Json json = bounded_json(folder, name);
  const bool right = json.is_object() && json.contains("format") && json["format"] == format &&
                     json.contains("version") && json["version"] == 1;
  if (!right) {
    throw Refusal{"'" + (folder / name).string() + "' is no " + format + " of version 1"};
  }
  return json;
}

std::pair<Kept, std::string> record_in(const fs::path& folder, const std::string& name) {
  auto kept = keep(file_in(folder, name), (folder / name).string());
  if (!kept.ok()) throw Refusal{kept.error().detail};
  std::string record = pack(kept.value());
  return {std::move(kept.value()), std::move(record)};
}

}  // namespace

std::int64_t whole(const Json& json, const char* key) { return json.at(key).get<std::int64_t>(); }
std::string text(const Json& json, const char* key) { return json.at(key).get<std::string>(); }

std::string bytes_of(const Sha256& hash) {
  return {reinterpret_cast<const char*>(hash.data()), hash.size()};
}

std::string file_in(const fs::path& folder, const std::string& name) {
  const fs::path path = folder / name;
  if (!fs::is_regular_file(fs::symlink_status(path))) {
    throw Refusal{"'" + path.string() + "' is missing or no ordinary file"};
  }
  auto bytes = read_file(path.string(), kMostFile);
  if (!bytes.ok()) throw Refusal{bytes.error().detail};
  return std::move(bytes).value();
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

void must_be_text(const std::optional<Error>& why) {
  if (why) throw Refusal{why->detail};
}

std::string joined(const std::vector<std::string>& texts) {
  std::string out;
  for (const std::string& t : texts) out += std::to_string(t.size()) + ":" + t;
  return out;
}
std::string of(const Stamp& s) { return joined({s.at, s.who, s.reason}); }
std::string of(const Vehicle& v) { return joined({v.make, v.model, v.years, v.body, v.notes}); }
std::string of(const Pane& p) { return joined({p.window, p.side, p.notes}); }

ExportedFolder::ExportedFolder(fs::path folder) : folder_(std::move(folder)) {
  const Json root = json_in(folder_, "library.json", "panecard-library");
  for (const Json& change : root.at("changes")) {
    const Stamp stamp{text(change, "at"), text(change, "who"), text(change, "reason")};
    must_be_text(not_text(stamp));
    stamps_[whole(change, "id")] = stamp;
  }
}

TheirVehicle ExportedFolder::vehicle(const fs::path& folder) const {
  const Json json = json_in(folder, "vehicle.json", "panecard-vehicle");
  TheirVehicle out;
  out.id = whole(json, "id");
  for (const Json& r : json.at("revisions")) {
    out.states.push_back(
        {text(r, "make"), text(r, "model"), text(r, "years"), text(r, "body"), text(r, "notes")});
    must_be_text(not_text(out.states.back()));
    out.changes.push_back(whole(r, "change"));
    out.said.push_back({of(at_change(stamps_, out.changes.back())), of(out.states.back())});
  }
  if (out.states.empty()) throw Refusal{"'" + folder.string() + "': a vehicle without a revision"};
  for (const fs::path& inner : folders_in(folder)) out.panes.push_back(pane(inner));
  return out;
}

TheirPane ExportedFolder::pane(const fs::path& folder) const {
  TheirPane out;
  out.folder = folder;
  out.json = std::make_shared<const Json>(json_in(folder, "pane.json", "panecard-pane"));
  for (const Json& m : out.json->at("measurements")) {
    Record r;
    r.id = whole(m, "id"), r.change = whole(m, "change");
    std::tie(r.kept, r.record) = record_in(folder, "measurement-" + std::to_string(r.id) + ".json");
    r.digest = bytes_of(sha256(r.record));
    r.photos = &m.at("photos");
    out.measurements.push_back(std::move(r));
  }
  const Names pattern_names = patterns(out), piece_names = pieces(out);
  for (const Json& r : out.json->at("revisions")) {
    const Pane about{text(r, "window"), text(r, "side"), text(r, "notes")};
    must_be_text(not_text(about));
    const std::optional<std::int64_t> pattern =
        r.at("pattern").is_null() ? std::nullopt : std::optional(whole(r, "pattern"));
    out.said.push_back({of(at_change(stamps_, whole(r, "change"))),
                        state_of(about, pattern, r.at("pieces").get<std::vector<std::int64_t>>(),
                                 pattern_names, piece_names)});
  }
  if (out.said.empty()) throw Refusal{"'" + folder.string() + "': a pane without a revision"};
  return out;
}

void ExportedFolder::no_change(std::int64_t change) const {
  throw Refusal{"'" + folder_.string() + "' contradicts itself: no change has the number " +
                std::to_string(change)};
}

std::string ExportedFolder::name_in(const Names& names, std::int64_t id) const {
  const auto found = names.find(id);
  if (found != names.end()) return found->second;
  throw Refusal{"'" + folder_.string() + "' contradicts itself: a revision names " +
                std::to_string(id) + ", which is not there"};
}

std::string ExportedFolder::state_of(const Pane& about, const std::optional<std::int64_t>& pattern,
                                     const std::vector<std::int64_t>& pieces, const Names& patterns,
                                     const Names& piece_names) const {
  std::vector<std::string> here;
  here.reserve(pieces.size());
  for (const std::int64_t piece : pieces) here.push_back(name_in(piece_names, piece));
  std::sort(here.begin(), here.end());
  return joined({of(about), pattern ? name_in(patterns, *pattern) : "", joined(here)});
}

std::string ExportedFolder::pattern_record(const TheirPane& pane, std::int64_t id) const {
  return record_in(pane.folder, "pattern-" + std::to_string(id) + ".json").second;
}

/// A pattern by its measurement, or by its own record and what that was made from.
Names ExportedFolder::patterns(const TheirPane& pane) const {
  Names digests, out;
  for (const Record& r : pane.measurements) digests[r.id] = r.digest;
  for (const Json& p : pane.json->at("patterns")) {
    std::vector<std::string> sources;
    for (const Json& source : p.at("made_from")) {
      sources.push_back(name_in(digests, source.get<std::int64_t>()));
    }
    std::sort(sources.begin(), sources.end());
    const std::int64_t id = whole(p, "id");
    const std::string what = p.at("measurement").is_null()
                                 ? bytes_of(sha256(pattern_record(pane, id)))
                                 : name_in(digests, whole(p, "measurement"));
    out[id] = joined({what, joined(sources)});
  }
  return out;
}

std::string ExportedFolder::piece_record(const TheirPane& pane, std::int64_t id) const {
  const std::string name = "piece-" + std::to_string(id) + ".json";
  const Json piece = bounded_json(pane.folder, name);
  if (!piece.is_object()) {
    throw Refusal{"'" + (pane.folder / name).string() + "' is no JSON object"};
  }
  return piece.dump();
}

Names ExportedFolder::pieces(const TheirPane& pane) const {
  Names out;
  for (const Json& p : pane.json->at("pieces")) {
    const std::int64_t id = whole(p, "id");
    out[id] = joined({text(p, "name"), piece_record(pane, id)});
  }
  return out;
}

}  // namespace panecard::library
