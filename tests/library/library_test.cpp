#include "library/library.h"

#include <doctest/doctest.h>
#include <sqlite3.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <filesystem>
#include <thread>

#include "check/panes.h"
#include "library/results.h"
#include "support/folder.h"
#include "support/nobody.h"

namespace panecard::library {

using support::bytes_of;
using support::Folder;

namespace {

const Stamp kStamp{"2031-02-03T04:05:06Z", "anna", "first measured"};
const Vehicle kVehicle{"Norden", "Kuma", "2017-2022", "hatchback", ""};
const Pane kPane{"front door", "left", ""};

Library opened(const std::string& path, Access access = Access::create, int wait_ms = 5000) {
  auto library = Library::open(path, {access, wait_ms});
  REQUIRE_MESSAGE(library.ok(), (library.ok() ? "" : library.error().detail));
  return std::move(library).value();
}

std::string why_not(const std::string& path, Access access, int wait_ms = 50) {
  const auto library = Library::open(path, {access, wait_ms});
  REQUIRE(!library.ok());
  CHECK(library.error().detail.find('\n') == std::string::npos);
  return library.error().detail;
}

void raw(const std::string& path, const std::string& sql) {
  sqlite3* db = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &db) == SQLITE_OK);
  REQUIRE(sqlite3_exec(db, sql.c_str(), nullptr, nullptr, nullptr) == SQLITE_OK);
  sqlite3_close(db);
}

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("what was added is there again after closing, with who, when and why") {
  const Folder folder;
  {
    Library library = opened(folder / "shop.panes");
    const auto added = library.add(kVehicle, kPane, test::result(1),
                                   {{"a.jpg", sha256("photo"), "small"}}, kStamp, false);
    REQUIRE(added.ok());
    CHECK(added->in_force);
    CHECK(!added->already_there);
  }
  const Library library = opened(folder / "shop.panes", Access::read);
  const auto view = library.show(1);
  REQUIRE(view.ok());
  CHECK(view->line.vehicle == kVehicle);
  CHECK(view->line.about == kPane);
  REQUIRE(view->measurements.size() == 1);
  CHECK(view->measurements[0].stamp.who == "anna");
  CHECK(view->measurements[0].lens == "phone-a profile, 12 photos");
  REQUIRE(view->measurements[0].photos.size() == 1);
  CHECK(view->measurements[0].photos[0].hash == sha256("photo"));
  CHECK(library.photo_copy(1, sha256("photo")).value() == "small");
  const auto shape = library.pattern_shape(1);
  REQUIRE(shape.ok());
  CHECK(shape->contour.points.size() == check::test::invented(1).size());
  CHECK(library.verify().value().empty());
}

TEST_CASE("the same photo or the same result is not added twice, and that is said") {
  const Folder folder;
  Library library = opened(folder / "l");
  const Photo photo{"a.jpg", sha256("photo"), ""};
  REQUIRE(library.add(kVehicle, kPane, test::result(1), {photo}, kStamp, false).ok());
  const auto by_photo = library.add(kVehicle, kPane, test::result(2), {photo}, kStamp, false);
  const auto by_result = library.add(kVehicle, kPane, test::result(1), {}, kStamp, false);
  REQUIRE(by_photo.ok());
  REQUIRE(by_result.ok());
  CHECK(by_photo->already_there);
  CHECK(by_result->already_there);
  CHECK(by_result->measurement == 1);
  CHECK(library.show(1)->measurements.size() == 1);
}

TEST_CASE("each change is a revision with its reason, and an earlier one can be restored") {
  const Folder folder;
  Library library = opened(folder / "l");
  REQUIRE(library.add(kVehicle, kPane, test::result(1), {}, kStamp, false).ok());
  const std::string first = library.pattern_json(1).value();
  REQUIRE(library.add(kVehicle, kPane, test::result(2), {}, {"t2", "ben", "again"}, true).ok());
  REQUIRE(
      library.change_pane(1, {"front door", "left", "seal is thick"}, {"t3", "ben", "seen"}).ok());
  REQUIRE(
      library.set_piece(1, "inside", R"({"format":"panecard-piece"})", {"t4", "ben", "cut"}).ok());
  REQUIRE(
      library.change_vehicle(1, {"Norden", "Kuma", "2018-2022", "", ""}, {"t5", "b", "y"}).ok());
  const std::string second = library.pattern_json(1).value();
  CHECK(first != second);
  REQUIRE(library.restore(1, 2, {"t6", "anna", "the second was of another pane"}).ok());
  CHECK(library.pattern_json(1).value() == first);
  CHECK(library.show(1)->pieces.empty());
  CHECK(library.show(1)->line.about.notes.empty());
  REQUIRE(library.restore(1, 5, {"t7", "anna", "it was not"}).ok());
  CHECK(library.pattern_json(1).value() == second);
  REQUIRE(library.show(1)->pieces.size() == 1);
  CHECK(library.show(1)->pieces[0].json == R"({"format":"panecard-piece"})");
  REQUIRE(library.restore_vehicle(1, 1, {"t8", "anna", "years were right"}).ok());
  CHECK(library.show(1)->line.vehicle == kVehicle);
  const auto history = library.history(1);
  REQUIRE(history.ok());
  std::vector<std::string> what;
  for (const Revision& r : history.value()) what.push_back(r.stamp.at + ": " + r.what);
  const std::vector<std::string> expected = {kStamp.at + ": new vehicle",
                                             kStamp.at + ": new pane",
                                             kStamp.at + ": pattern",
                                             "t2: pattern",
                                             "t3: notes",
                                             "t4: pieces",
                                             "t5: years, body",
                                             "t6: notes, pattern, pieces",
                                             "t7: notes, pattern, pieces",
                                             "t8: years, body"};
  CHECK(what == expected);
}

TEST_CASE("what is not there, not said or not text is refused and changes nothing") {
  const Folder folder;
  Library library = opened(folder / "l");
  REQUIRE(library.add(kVehicle, kPane, test::result(1), {}, kStamp, false).ok());
  CHECK(!library.show(7).ok());
  CHECK(!library.restore(1, 9, kStamp).ok());
  CHECK(!library.put_in_force(1, 5, kStamp).ok());
  CHECK(!library.put_in_force(1, test::result(2), {1, 5}, kStamp).ok());
  CHECK(!library.change_pane(1, {"", "", ""}, kStamp).ok());
  CHECK(!library.change_pane(1, {" \t", "", ""}, kStamp).ok());
  CHECK(!library.change_vehicle(1, {" ", "  ", "2019", "", ""}, kStamp).ok());
  CHECK(!library.change_pane(1, kPane, {"t", "w", "  "}).ok());
  CHECK(!library.change_pane(1, kPane, {"t", "w", ""}).ok());
  CHECK(!library.change_pane(1, {"front \xff", "", ""}, kStamp).ok());
  CHECK(!library.change_pane(1, {std::string("a\0b", 3), "", ""}, kStamp).ok());
  CHECK(!library.change_pane(1, {std::string(500, 'x'), "", ""}, kStamp).ok());
  CHECK(library.history(1)->size() == 3);
}

TEST_CASE("odd texts come back as they were") {
  const Folder folder;
  Library library = opened(folder / "l");
  const std::vector<std::string> odd = {"'; DROP TABLE pane; --",
                                        "\"*^(NEAR",
                                        "%_\\",
                                        "T\xC3\xBCr",
                                        "\xE8\xBB\x8A",
                                        "\xF0\x9F\x9A\x97",
                                        "a\xE2\x80\x8F"
                                        "b",
                                        "../../etc"};
  unsigned number = 10;
  for (const std::string& text : odd) {
    CAPTURE(text);
    const auto added =
        library.add({text, text, text, text, text}, {text, text, text}, test::result(++number),
                    {{text, sha256(text), ""}}, {"t", text, text}, false);
    REQUIRE(added.ok());
    const auto view = library.show(added->pane);
    CHECK(view->line.vehicle == Vehicle{text, text, text, text, text});
    CHECK(view->line.about == Pane{text, text, text});
    CHECK(view->measurements[0].photos[0].name == text);
  }
  CHECK(library.panes()->size() == odd.size());
  CHECK(library.verify().value().empty());
}

TEST_CASE("files that are no library of ours are refused, each with its reason") {
  const Folder folder;
  CHECK(has(why_not(folder / "none", Access::read), "there is no such file"));
  CHECK(has(why_not(folder / "none", Access::write), "there is no such file"));
  CHECK(has(why_not(folder.path().string(), Access::read), "folder"));
  CHECK(has(why_not(folder / "no-folder/l", Access::create), "cannot be opened"));
  folder.write("text", std::string(5000, 'x'));
  CHECK(has(why_not(folder / "text", Access::create), "no panecard library"));
  raw(folder / "other", "CREATE TABLE t(x)");
  CHECK(has(why_not(folder / "other", Access::create), "no panecard library"));
  CHECK(bytes_of(folder / "text") == std::string(5000, 'x'));
  folder.write("empty", "");
  CHECK(has(why_not(folder / "empty", Access::read), "it is empty"));
  CHECK(has(why_not(folder / "empty", Access::write), "fill it with library add"));
  CHECK(opened(folder / "empty", Access::create).panes()->empty());
  folder.write("byte", "S");
  for (const Access access : {Access::read, Access::write, Access::create}) {
    CHECK(has(why_not(folder / "byte", access), "no panecard library"));
  }
  CHECK(bytes_of(folder / "byte") == "S");
}

TEST_CASE("a library of which the end is missing is read as far as it goes and not written to") {
  const Folder folder;
  REQUIRE(opened(folder / "l").add(kVehicle, kPane, test::result(1), {}, kStamp, false).ok());
  const std::string whole = bytes_of(folder / "l");
  for (const std::size_t missing : {std::size_t{1}, std::size_t{1024}, std::size_t{5000}}) {
    CAPTURE(missing);
    const std::string bytes = whole.substr(0, whole.size() - missing);
    folder.write("short", bytes);
    const std::string said = std::to_string(bytes.size()) + " of " + std::to_string(whole.size());
    for (const Access access : {Access::write, Access::create}) {
      CHECK(has(why_not(folder / "short", access), said));
    }
    auto library = Library::open(folder / "short", {Access::read, 50});
    if (library.ok()) {
      const auto findings = library.value().verify();
      CHECK((!findings.ok() || !findings->empty()));
    }
    CHECK(bytes_of(folder / "short") == bytes);
  }
}

TEST_CASE("a program that is ended while it makes a library leaves none, and its rest goes") {
  const Folder folder;
  // The process has ended, and what it left is an hour old.
  const pid_t child = ::fork();
  if (child == 0) ::_exit(0);
  ::waitpid(child, nullptr, 0);
  const std::string rest = "l.unfinished" + std::to_string(child);
  folder.write(rest, "half");
  using Clock = std::filesystem::file_time_type::clock;
  std::filesystem::last_write_time(folder / rest, Clock::now() - std::chrono::hours(1));
  folder.write("l.unfinished1", "of a process that lives");
  { CHECK(opened(folder / "l").panes()->empty()); }
  CHECK(!std::filesystem::exists(folder / rest));
  CHECK(folder.entries() == 2);
}

TEST_CASE("a change that a program left half done is taken back by who may write") {
  const Folder folder;
  REQUIRE(opened(folder / "l").add(kVehicle, kPane, test::result(1), {}, kStamp, false).ok());
  const pid_t child = ::fork();
  if (child == 0) {
    sqlite3* db = nullptr;  // with a cache so small that half of the change is in the file
    sqlite3_open((folder / "l").c_str(), &db);
    sqlite3_exec(
        db,
        "PRAGMA journal_mode = DELETE; PRAGMA cache_size = 1; PRAGMA cache_spill = 1; BEGIN;"
        "UPDATE vehicle_revision SET notes = hex(randomblob(60000));"
        "UPDATE pane_revision SET notes = hex(randomblob(60000))",
        nullptr, nullptr, nullptr);
    ::_exit(std::filesystem::file_size(folder / "l-journal") > 0 ? 0 : 1);
  }
  int state = 0;
  ::waitpid(child, &state, 0);
  REQUIRE(state == 0);
  const Library library = opened(folder / "l", Access::read);
  CHECK(library.show(1)->line.vehicle == kVehicle);
  CHECK(library.verify().value().empty());
}

TEST_CASE("a library of a newer program is refused and left alone") {
  const Folder folder;
  REQUIRE(opened(folder / "l").add(kVehicle, kPane, test::result(1), {}, kStamp, false).ok());
  raw(folder / "l", "PRAGMA user_version = 99; PRAGMA wal_checkpoint(TRUNCATE)");
  const std::string before = bytes_of(folder / "l");
  for (const Access access : {Access::read, Access::write, Access::create}) {
    CHECK(has(why_not(folder / "l", access), "newer panecard (layout 99"));
  }
  CHECK(bytes_of(folder / "l") == before);
}

TEST_CASE("in a read-only place a library can be read, and writing says why not") {
  const Folder folder;
  { REQUIRE(opened(folder / "l").add(kVehicle, kPane, test::result(1), {}, kStamp, false).ok()); }
  REQUIRE(::chmod((folder / "l").c_str(), 0444) == 0);
  REQUIRE(::chmod(folder.path().c_str(), 0555) == 0);
  const std::string said = support::said_without_rights([&] {
    const auto read = Library::open(folder / "l", {Access::read, 50});
    const bool is_read = read.ok() && read.value().show(1).ok();
    const auto written = Library::open(folder / "l", {Access::write, 50});
    return (is_read ? "read; " : "not read; ") +
           (written.ok() ? "opened for writing" : written.error().detail);
  });
  CAPTURE(said);
  CHECK(said.starts_with("read; "));
  CHECK(has(said, "it may not be written to"));
}

TEST_CASE("a locked library is waited for, and then it is said who holds it") {
  const Folder folder;
  Library library = opened(folder / "l", Access::create, 100);
  REQUIRE(library.add(kVehicle, kPane, test::result(1), {}, kStamp, false).ok());
  int ready[2], done[2];
  REQUIRE(::pipe(ready) == 0);
  REQUIRE(::pipe(done) == 0);
  const pid_t child = ::fork();
  if (child == 0) {
    sqlite3* db = nullptr;
    sqlite3_open((folder / "l").c_str(), &db);
    const bool held = sqlite3_exec(db, "BEGIN IMMEDIATE", nullptr, nullptr, nullptr) == SQLITE_OK;
    char c = held ? 'y' : 'n';
    (void)!::write(ready[1], &c, 1);
    (void)!::read(done[0], &c, 1);
    ::_exit(0);
  }
  char c = 0;
  REQUIRE(::read(ready[0], &c, 1) == 1);
  REQUIRE(c == 'y');
  const auto refused = library.change_pane(1, {"a", "b", "c"}, kStamp);
  REQUIRE(!refused.ok());
  CHECK(has(refused.error().detail, "held by process " + std::to_string(child)));
  CHECK(library.show(1).ok());  // reading goes on
  REQUIRE(::write(done[1], &c, 1) == 1);
  ::waitpid(child, nullptr, 0);
  CHECK(library.change_pane(1, {"a", "b", "c"}, kStamp).ok());
}

TEST_CASE("two programs that write at once lose nothing, and readers see whole records") {
  const Folder folder;
  constexpr unsigned kEach = 12;
  const auto writer = [&](unsigned first) {
    auto library = Library::open(folder / "l", {Access::create, 20'000});
    unsigned written = 0;
    for (unsigned i = 0; library.ok() && i < kEach; ++i) {
      const std::string name = std::to_string(first + i);
      written += library.value()
                         .add({"make", name, "", "", ""}, kPane, test::result(first + i), {},
                              kStamp, false)
                         .ok()
                     ? 1
                     : 0;
    }
    return written;
  };
  std::vector<pid_t> children;
  for (const unsigned first : {100U, 200U}) {
    children.push_back(::fork());
    if (children.back() == 0) ::_exit(writer(first) == kEach ? 0 : 1);
  }
  std::size_t seen = 0, half = 0;
  while (seen < 2 * kEach) {
    auto library = Library::open(folder / "l", {Access::read, 5000});
    int state = 0;
    const bool over = ::waitpid(-1, &state, WNOHANG) < 0;
    if (library.ok()) {
      const auto panes = library.value().panes();
      if (panes.ok()) {
        seen = panes->size();
        for (const PaneLine& line : panes.value())
          half += library.value().pattern_json(line.pane).ok() ? 0 : 1;
      }
    }
    if (over) break;
  }
  const Library library = opened(folder / "l", Access::read);
  CHECK(library.panes()->size() == 2 * kEach);
  CHECK(half == 0);
  CHECK(library.verify().value().empty());
}

TEST_CASE("a program killed at any moment loses nothing that it had acknowledged") {
  const Folder folder;
  const char* wanted = std::getenv("PANECARD_KILLS");
  const int kills = wanted != nullptr ? std::atoi(wanted) : 6;
  std::mt19937 random(3);
  std::size_t acknowledged = 0;
  unsigned number = 1000;
  for (int kill = 0; kill < kills; ++kill) {
    int pipe[2];
    REQUIRE(::pipe(pipe) == 0);
    const pid_t child = ::fork();
    if (child == 0) {
      auto library = Library::open(folder / "l", {Access::create, 5000});
      for (unsigned i = number; library.ok(); ++i) {
        const bool ok = library.value()
                            .add({"m", std::to_string(i), "", "", ""}, kPane, test::result(i), {},
                                 kStamp, false)
                            .ok();
        (void)!::write(pipe[1], ok ? "y" : "n", 1);
      }
      ::_exit(1);
    }
    ::close(pipe[1]);
    std::string said;
    char c = 0;
    for (auto wait_for = random() % 5; wait_for > 0 && ::read(pipe[0], &c, 1) == 1; --wait_for) {
      said += c;
    }
    std::this_thread::sleep_for(std::chrono::microseconds(random() % 30'000));
    ::kill(child, SIGKILL);
    ::waitpid(child, nullptr, 0);
    while (::read(pipe[0], &c, 1) == 1) said += c;
    ::close(pipe[0]);
    for (const char answer : said) CHECK(answer == 'y');
    acknowledged += said.size();
    number += 1000;
    auto library = Library::open(folder / "l", {Access::create, 5000});
    REQUIRE(library.ok());
    CHECK(library.value().panes()->size() >= acknowledged);
    CHECK(library.value().verify().value().empty());
  }
  CHECK(acknowledged > 0);
}

TEST_CASE("a backup made while another program writes is a whole library") {
  const Folder folder;
  Library library = opened(folder / "l");
  REQUIRE(library.add(kVehicle, kPane, test::result(1), {}, kStamp, false).ok());
  raw(folder / "l", "BEGIN IMMEDIATE; ROLLBACK");
  const auto bytes = opened(folder / "l", Access::read).backup(folder / "copy");
  REQUIRE(bytes.ok());
  const Library copy = opened(folder / "copy", Access::read);
  CHECK(copy.pattern_json(1).value() == library.pattern_json(1).value());
  CHECK(copy.verify().value().empty());
  const auto again = library.backup(folder / "copy");
  REQUIRE(!again.ok());
  CHECK(has(again.error().detail, "overwrites nothing"));
  CHECK(!library.backup(folder / "no-folder/copy").ok());
}

TEST_CASE("damage is found and said, and nothing is repaired") {
  const Folder folder;
  {
    Library library = opened(folder / "l");
    for (unsigned i = 1; i < 9; ++i) {
      REQUIRE(
          library
              .add({"m", std::to_string(i), "", "", ""}, kPane, test::result(i), {}, kStamp, false)
              .ok());
    }
  }
  raw(folder / "l",
      "PRAGMA foreign_keys = OFF; DELETE FROM change WHERE id = 3;"
      "UPDATE measurement SET record = zeroblob(900) WHERE id = 5;"
      "DELETE FROM pane_revision WHERE pane = 2 AND number = 1");
  raw(folder / "l", "PRAGMA wal_checkpoint(TRUNCATE)");
  const std::string before = bytes_of(folder / "l");
  const auto findings = opened(folder / "l", Access::read).verify();
  REQUIRE(findings.ok());
  std::string all;
  for (const Finding& f : findings.value()) all += f.code + ": " + f.text + "\n";
  CHECK(has(all, "points to nothing in change"));
  CHECK(has(all, "measurement 5"));
  CHECK(has(all, "pane 2 lacks some of its revisions"));
  CHECK(bytes_of(folder / "l") == before);
  // Bytes changed behind the program's back, in the middle of the file.
  std::string bytes = before;
  for (std::size_t i = bytes.size() / 2; i < bytes.size() / 2 + 3000; ++i) bytes[i] ^= 0x55;
  folder.write("broken", bytes);
  auto broken = Library::open(folder / "broken", {Access::read, 50});
  if (broken.ok()) {
    const auto found = broken.value().verify();
    CHECK((!found.ok() || !found->empty()));
  }
}

}  // namespace panecard::library
