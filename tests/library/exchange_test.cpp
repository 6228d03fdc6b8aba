#include <doctest/doctest.h>

#include <filesystem>
#include <map>
#include <nlohmann/json.hpp>
#include <set>

#include "library/library.h"
#include "library/results.h"
#include "support/folder.h"

namespace panecard::library {

using support::bytes_of;
using support::Folder;
namespace fs = std::filesystem;

namespace {

const Stamp kStamp{"2031-02-03T04:05:06Z", "anna", "first measured"};

/// Panes with all that a library can hold, some of it with names that mean harm.
Library full(const Folder& folder) {
  auto opened = Library::open(folder / "l", {Access::create, 5000});
  REQUIRE(opened.ok());
  Library library = std::move(opened).value();
  const std::vector<std::string> names = {
      "Norden", "../../evil", "/etc/passwd", "a\\b:c*?\"<>|", "\xE8\xBB\x8A", "CON", "x\ny"};
  unsigned number = 30;
  for (const std::string& name : names) {
    const Photo photo{name, sha256(name), "jpeg of " + name};
    REQUIRE(library
                .add({name, "M", "2019", "", name}, {name, "left", ""}, test::result(++number),
                     {photo}, kStamp, false)
                .ok());
  }
  REQUIRE(library
              .add({"Norden", "M", "2019", "", ""}, {"Norden", "left", ""}, test::result(60), {},
                   {"t", "ben", "again"}, true)
              .ok());
  REQUIRE(
      library.set_piece(1, "../piece", R"({"format":"panecard-piece","a":[1,2.5]})", kStamp).ok());
  REQUIRE(library.put_in_force(1, test::result(61), {1, 8}, kStamp).ok());
  REQUIRE(library.restore(1, 2, kStamp).ok());
  REQUIRE(library.change_vehicle(2, {"B", "", "", "", "n"}, kStamp).ok());
  return library;
}

std::map<std::string, std::string> files_in(const std::string& folder) {
  std::map<std::string, std::string> out;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    if (entry.is_regular_file()) {
      out[fs::relative(entry.path(), folder).string()] = bytes_of(entry.path().string());
    }
  }
  return out;
}

std::string why_not(const Folder& folder, const std::string& from) {
  const std::string file = folder / ("new" + std::to_string(folder.entries()));
  auto library = Library::open(file, {Access::create, 500});
  REQUIRE(library.ok());
  const auto imported = library.value().import_from(from);
  REQUIRE(!imported.ok());
  CHECK(library.value().panes()->empty());  // all of it or nothing
  CHECK(library.value().verify()->empty());
  return imported.error().detail;
}

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("JSON of an exported folder is bounded before it costs memory") {
  const Folder folder;
  folder.write("library.json", std::string(15'000'000, '['));
  auto library = Library::open(folder / "l", {Access::create, 5000});
  REQUIRE(library.ok());
  const auto why = library.value().import_from(folder.path().string());
  REQUIRE(!why.ok());
  CHECK(why.error().detail.find("nested too deeply") != std::string::npos);
}

TEST_CASE("an exported library comes back without loss, byte for byte when exported again") {
  const Folder folder;
  const Library library = full(folder);
  const auto exported = library.export_to(folder / "out");
  REQUIRE_MESSAGE(exported.ok(), (exported.ok() ? "" : exported.error().detail));
  CHECK(exported.value() == 7);
  auto copy = Library::open(folder / "copy", {Access::create, 5000});
  REQUIRE(copy.ok());
  const auto imported = copy.value().import_from(folder / "out");
  REQUIRE_MESSAGE(imported.ok(), (imported.ok() ? "" : imported.error().detail));
  CHECK(imported->fresh == 7);
  REQUIRE(copy.value().export_to(folder / "again").ok());
  const auto first = files_in(folder / "out"), second = files_in(folder / "again");
  CHECK(first.size() > 30);
  CHECK(first == second);
  CHECK(copy.value().verify()->empty());
  for (std::int64_t pane = 1; pane <= 7; ++pane) {
    CHECK(copy.value().pattern_json(pane).value() == library.pattern_json(pane).value());
    CHECK(copy.value().history(pane)->size() == library.history(pane)->size());
    CHECK(copy.value().show(pane)->line.vehicle == library.show(pane)->line.vehicle);
  }
  CHECK(copy.value().find("norden", 9)->size() == library.find("norden", 9)->size());
  CHECK(copy.value().photo_copy(1, sha256("Norden")).value() == "jpeg of Norden");
}

TEST_CASE("no name leads out of the folder, and every file's name is plain") {
  const Folder folder;
  const Library library = full(folder);
  const std::size_t before = folder.entries();
  REQUIRE(library.export_to(folder / "out").ok());
  CHECK(folder.entries() == before + 1);
  for (const auto& [name, bytes] : files_in(folder / "out")) {
    CAPTURE(name);
    for (const char c : name) {
      const bool plain =
          (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-' || c == '.' || c == '/';
      CHECK(plain);
    }
    CHECK(!has(name, ".."));
  }
}

TEST_CASE("a change of one note changes one line of the export") {
  const Folder folder;
  Library library = full(folder);
  REQUIRE(library.export_to(folder / "out").ok());
  REQUIRE(library.change_pane(3, {"window", "left", "a note"}, kStamp).ok());
  REQUIRE(library.export_to(folder / "later").ok());
  const auto before = files_in(folder / "out"), after = files_in(folder / "later");
  std::vector<std::string> changed;
  for (const auto& [name, bytes] : after) {
    const auto old = before.find(name);
    if (old == before.end() || old->second != bytes) changed.push_back(fs::path(name).filename());
  }
  // The pane's folder is called after its window, which was changed: its files, and the changes.
  CHECK(std::count(changed.begin(), changed.end(), "library.json") == 1);
  CHECK(std::count(changed.begin(), changed.end(), "pane.json") == 1);
  CHECK(std::count(changed.begin(), changed.end(), "vehicle.json") == 0);
}

TEST_CASE("a folder that is none, lacks files or contradicts itself is refused as a whole") {
  const Folder folder;
  REQUIRE(full(folder).export_to(folder / "out").ok());
  const auto broken = [&](const std::string& name, const auto& harm) {
    fs::remove_all(folder / name);
    fs::copy(folder / "out", folder / name, fs::copy_options::recursive);
    harm(fs::path(folder / name));
    return why_not(folder, folder / name);
  };
  const auto pane_of = [](const fs::path& root) { return root / "1-norden-m" / "1-norden-left"; };
  CHECK(has(why_not(folder, folder / "nowhere"), "library.json"));
  CHECK(has(
      broken("a", [&](const fs::path& root) { fs::remove(pane_of(root) / "measurement-1.json"); }),
      "measurement-1.json"));
  CHECK(has(broken("b",
                   [&](const fs::path& root) {
                     fs::remove(pane_of(root) / "measurement-1.json");
                     fs::create_symlink("/etc/passwd", pane_of(root) / "measurement-1.json");
                   }),
            "no ordinary file"));
  const auto edited = [&](const char* name, const std::string& from, const std::string& to) {
    return broken(name, [&](const fs::path& root) {
      const std::string file = (pane_of(root) / "pane.json").string();
      std::string text = bytes_of(file);
      const auto at = text.find(from);
      REQUIRE(at != std::string::npos);
      text.replace(at, from.size(), to);
      REQUIRE(write_file(file, text).ok());
    });
  };
  CHECK(has(edited("c", "\"revisions\"", "\"revisionz\""), "field is missing"));
  CHECK(has(edited("d", "\"id\": 1", "\"id\": \"1; DROP TABLE pane\""), "wrong kind"));
  CHECK(has(edited("e", "\"change\": 1", "\"change\": 999"), "no change has the number 999"));
  CHECK(has(edited("f", "\"version\": 1", "\"version\": 2"), "version 1"));
  auto again = Library::open(folder / "l", {Access::write, 500});
  REQUIRE(again.ok());
  Library library = std::move(again).value();
  const auto over = library.export_to(folder / "out");
  REQUIRE(!over.ok());
  CHECK(has(over.error().detail, "not empty"));
}

namespace {

/// Folders for one exchange after the other.
class Post {
 public:
  explicit Post(const Folder& folder) : folder_(folder) {}
  Imported send(const Library& from, Library& to, bool theirs_hold = false) {
    const std::string parcel = folder_ / ("parcel" + std::to_string(++sent_));
    REQUIRE(from.export_to(parcel).ok());
    const auto imported = to.import_from(parcel, theirs_hold);
    REQUIRE_MESSAGE(imported.ok(), (imported.ok() ? "" : imported.error().detail));
    CHECK(to.verify()->empty());
    return imported.value();
  }

 private:
  const Folder& folder_;
  int sent_ = 0;
};

/// All that a library says, without numbers: each pane's measurements, revisions and pieces.
std::multiset<std::string> said_by(const Library& library) {
  std::multiset<std::string> out;
  const auto panes = library.panes();
  for (const PaneLine& line : panes.value()) {
    const auto view = library.show(line.pane);
    std::string text = line.vehicle.make + "|" + line.vehicle.notes + "|" + line.about.window +
                       "|" + line.about.notes + "|";
    std::multiset<std::string> parts;
    for (const MeasurementLine& m : view->measurements) {
      std::string part = library.measurement_json(m.id).value() + m.stamp.at + m.stamp.who;
      for (const Photo& p : m.photos) {
        part += p.name + hex(p.hash) + library.photo_copy(m.id, p.hash).value();
      }
      parts.insert(part);
    }
    for (const PieceLine& p : view->pieces) parts.insert(p.name + p.json);
    for (const std::string& part : parts) text += part + "|";
    const auto history = library.history(line.pane);
    for (const Revision& r : history.value()) {
      text += std::to_string(r.number) + r.stamp.at + r.stamp.who + r.stamp.reason + "|";
    }
    const auto pattern = library.pattern_json(line.pane);
    out.insert(text + (pattern.ok() ? pattern.value() : ""));
  }
  return out;
}

Library shop(const Folder& folder, const std::string& name) {
  auto opened = Library::open(folder / name, {Access::create, 5000});
  REQUIRE(opened.ok());
  return std::move(opened).value();
}

Added put(Library& library, const std::string& make, unsigned number, const std::string& who) {
  const std::string photo = make + std::to_string(number);
  const auto added = library.add({make, "M", "2019", "", ""}, {"door", "left", ""},
                                 test::result(number), {{photo, sha256(photo), "small " + photo}},
                                 {"2031-01-01T00:00:00Z", who, "measured"}, false);
  REQUIRE(added.ok());
  return added.value();
}

}  // namespace

TEST_CASE("two shops exchange both ways, lose nothing, and a second exchange changes nothing") {
  const Folder folder;
  Post post(folder);
  Library north = full(folder), south = shop(folder, "south");
  // South's numbers are taken by panes of its own.
  for (unsigned k = 0; k < 3; ++k) put(south, "Sund" + std::to_string(k), 70 + k, "sue");
  REQUIRE(south.set_piece(2, "film", R"({"a":1})", {"t", "sue", "cut"}).ok());
  CHECK(post.send(north, south).fresh == 7);
  CHECK(post.send(south, north).fresh == 3);
  CHECK(said_by(north).size() == 10);
  CHECK(said_by(north) == said_by(south));
  for (int round = 0; round < 2; ++round) {
    const Imported there = post.send(north, south), back = post.send(south, north);
    for (const Imported& i : {there, back}) {
      CHECK(i.fresh == 0);
      CHECK(i.brought_on == 0);
      CHECK(i.known == 10);
      CHECK(i.both_changed.empty());
    }
  }
  CHECK(said_by(north) == said_by(south));
}

TEST_CASE("what one shop changed is brought on in the other, with its history") {
  const Folder folder;
  Post post(folder);
  Library north = shop(folder, "n"), south = shop(folder, "s");
  put(south, "Sund", 70, "sue");
  const Added door = put(north, "Norden", 71, "nat");
  post.send(north, south);
  REQUIRE(north.change_pane(door.pane, {"door", "left", "two screws"}, {"t", "nat", "seen"}).ok());
  put(north, "Norden", 72, "nat");
  REQUIRE(north.put_in_force(door.pane, 2, {"t", "nat", "better"}).ok());
  REQUIRE(north.set_piece(door.pane, "film", R"({"b":2})", {"t", "nat", "cut"}).ok());
  REQUIRE(
      north.change_vehicle(door.vehicle, {"Norden", "M", "2019", "", "n"}, {"t", "n", "x"}).ok());
  const Imported done = post.send(north, south);
  CHECK(done.fresh == 0);
  CHECK(done.brought_on == 2);  // the vehicle and its pane
  post.send(south, north);
  CHECK(said_by(north) == said_by(south));
}

TEST_CASE(
    "changed here and there: it is named, ours holds, and what was measured comes all the same") {
  const Folder folder;
  Post post(folder);
  Library north = shop(folder, "n"), south = shop(folder, "s");
  const Added door = put(north, "Norden", 71, "nat");
  put(north, "Sund", 70, "nat");
  post.send(north, south);
  REQUIRE(north.change_pane(door.pane, {"door", "left", "north"}, {"t", "nat", "n"}).ok());
  put(north, "Norden", 75, "nat");
  REQUIRE(south.change_pane(door.pane, {"door", "left", "south"}, {"t", "sue", "s"}).ok());
  const Imported clash = post.send(north, south);
  REQUIRE(clash.both_changed.size() == 1);
  CHECK(has(clash.both_changed[0], "Norden M, door left"));
  CHECK(clash.known == 1);
  CHECK(south.show(door.pane)->line.about.notes == "south");
  CHECK(south.show(door.pane)->measurements.size() == 2);
  // Theirs by the user's word: ours stays in the history, and both agree from then on.
  const std::size_t before = south.history(door.pane)->size();
  CHECK(post.send(north, south, true).both_changed.empty());
  CHECK(south.show(door.pane)->line.about.notes == "north");
  CHECK(south.history(door.pane)->size() == before + 1);
  CHECK(post.send(south, north).both_changed.empty());
  CHECK(post.send(north, south).brought_on == 0);
  CHECK(north.show(door.pane)->line.about.notes == "north");
  REQUIRE(north.change_pane(door.pane, {"door", "left", "later"}, {"t2", "nat", "n"}).ok());
  CHECK(post.send(north, south).brought_on == 1);
  CHECK(south.show(door.pane)->line.about.notes == "later");
}

TEST_CASE("a measurement that both shops made of the same photo is one pane, not two") {
  const Folder folder;
  Post post(folder);
  Library north = shop(folder, "n"), south = shop(folder, "s");
  put(north, "Norden", 71, "nat");
  put(south, "Norden", 71, "sue");
  const Imported done = post.send(north, south);
  CHECK(done.fresh == 0);
  CHECK(done.both_changed.empty());
  CHECK(south.panes()->size() == 1);
}

}  // namespace panecard::library
