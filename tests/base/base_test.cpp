#include "base/base.h"

#include <doctest/doctest.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <limits>
#include <set>
#include <string>
#include <vector>

#include "support/nobody.h"

namespace fs = std::filesystem;
using panecard::Code;
using panecard::read_file;
using panecard::to_sixteenths;
using panecard::to_text;
using panecard::write_file;

namespace {

/// A folder of its own for one test, gone afterwards.
class Folder {
 public:
  Folder() {
    std::string name = (fs::temp_directory_path() / "panecard-base-XXXXXX").string();
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    path_ = name;
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  ~Folder() {
    std::error_code ignored;
    fs::permissions(path_, fs::perms::owner_all, ignored);
    fs::remove_all(path_, ignored);
  }
  std::string operator/(const std::string& name) const { return (path_ / name).string(); }
  std::size_t entries() const {
    return static_cast<std::size_t>(
        std::distance(fs::directory_iterator(path_), fs::directory_iterator{}));
  }
  const fs::path& path() const { return path_; }

 private:
  fs::path path_;
};

}  // namespace

TEST_CASE("to_text writes the shortest fixed-point text and never an exponent or a minus zero") {
  struct Row {
    double value;
    int decimals;
    const char* text;
  };
  constexpr Row kRows[] = {
      {0, 3, "0"},
      {-0.0, 2, "0"},
      {-0.0004, 3, "0"},
      {1.5, 3, "1.5"},
      {899.460990, 2, "899.46"},
      {100, 0, "100"},
      {100, 3, "100"},
      {-12.340, 4, "-12.34"},
      {1e21, 1, "1000000000000000000000"},
      {1e-9, 3, "0"},
      {0.125, 2, "0.12"},
      {2.5, -4, "2"},
      {std::numeric_limits<double>::quiet_NaN(), 2, "nan"},
      {-std::numeric_limits<double>::infinity(), 2, "-inf"},
  };
  for (const Row& row : kRows) {
    CAPTURE(row.text);
    CHECK(to_text(row.value, row.decimals) == row.text);
  }
  CHECK(to_text(std::numeric_limits<double>::max(), 30).size() == 309);
}

TEST_CASE("to_sixteenths rounds to the nearest sixteenth of an inch of exactly 25.4 mm") {
  struct Row {
    double mm;
    const char* text;
  };
  // An inch is 25.4 mm by the international yard and pound agreement of 1959. Sheet sizes:
  // ANSI/ASME Y14.1.
  constexpr Row kRows[] = {
      {0, "0"},         {215.9, "8 1/2"},  {279.4, "11"},         {12.7, "1/2"},
      {1.5875, "1/16"}, {501.7, "19 3/4"}, {25.4 * 2.999, "3"},   {-38.1, "-1 1/2"},
      {0.3, "0"},       {-0.3, "0"},       {25.4 * 7 / 8, "7/8"},
  };
  for (const Row& row : kRows) {
    CAPTURE(row.mm);
    CHECK(to_sixteenths(row.mm) == row.text);
  }
  CHECK(to_sixteenths(std::numeric_limits<double>::quiet_NaN()) == "nan");
  CHECK(to_sixteenths(1e300).find('/') == std::string::npos);
}

TEST_CASE("what write_file writes, read_file reads back, and nothing else appears in the folder") {
  const Folder folder;
  const std::string path = folder / "result.json";
  for (const std::string& text :
       {std::string(), std::string("a\0b\n", 4), std::string(300000, 'x')}) {
    const auto written = write_file(path, text);
    REQUIRE(written.ok());
    CHECK(written.value() == text.size());
    const auto read = read_file(path, text.size());
    REQUIRE(read.ok());
    CHECK(read.value() == text);
    CHECK(folder.entries() == 1);
  }
}

TEST_CASE("write_file follows a link and keeps the permissions of the file it replaces") {
  const Folder folder;
  const std::string real = folder / "real.svg", link = folder / "link.svg";
  REQUIRE(write_file(real, "old").ok());
  fs::permissions(real, fs::perms::owner_read | fs::perms::owner_write);
  fs::create_symlink(real, link);
  REQUIRE(write_file(link, "new").ok());
  CHECK(fs::is_symlink(link));
  CHECK(read_file(real, 10).value() == "new");
  CHECK(fs::status(real).permissions() == (fs::perms::owner_read | fs::perms::owner_write));
}

TEST_CASE("only what ended processes left aside some time ago is removed") {
  const Folder folder;
  const pid_t child = ::fork();
  if (child == 0) ::_exit(0);
  ::waitpid(child, nullptr, 0);
  const std::string target = folder / "stock.json", dead = std::to_string(child);
  using Clock = fs::file_time_type::clock;
  struct Row {
    std::string name;
    int minutes_old;
    bool stays;
  };
  const std::vector<Row> rows = {{"stock.json", 60, true},
                                 {"stock.json.unfinished" + dead, 60, false},
                                 {"stock.json.unfinished" + dead + "-3", 60, false},
                                 {"stock.json.unfinished1", 60, true},
                                 {"stock.json.unfinished", 60, true},
                                 {"stock.json.unfinishedx" + dead, 60, true},
                                 {"other.json.unfinished" + dead, 60, true}};
  for (const Row& row : rows) {
    const std::string path = folder / row.name;
    std::ofstream(path) << "half";
    fs::last_write_time(path, Clock::now() - std::chrono::minutes(row.minutes_old));
  }
  panecard::remove_leftovers(target);
  for (const Row& row : rows) {
    CAPTURE(row.name);
    CHECK(fs::exists(folder / row.name) == row.stays);
  }
  std::ofstream(folder / ("stock.json.unfinished" + dead)) << "young";
  panecard::remove_leftovers(target);
  CHECK(fs::exists(folder / ("stock.json.unfinished" + dead)));
  CHECK(panecard::aside_name(target) == target + ".unfinished" + std::to_string(::getpid()));
}

TEST_CASE("write_file says unwritable and leaves nothing behind when it cannot write") {
  const Folder folder;
  fs::create_directory(folder / "sub");
  std::vector<std::string> paths = {folder / "missing/result.json", folder / "sub",
                                    folder / std::string(400, 'n')};
  if (fs::exists("/dev/full")) paths.emplace_back("/dev/full");  // Linux: always out of space
  for (const std::string& path : paths) {
    CAPTURE(path);
    const auto written = write_file(path, "text");
    CHECK(!written.ok());
    if (written.ok()) continue;
    CHECK(written.error().code == Code::unwritable_file);
    CHECK(written.error().detail.find(path) != std::string::npos);
    CHECK(written.error().detail.find('\n') == std::string::npos);
  }
  CHECK(folder.entries() == 1);
  CHECK(fs::is_empty(folder / "sub"));
}

TEST_CASE("write_file says unwritable in a folder that its user may only look at") {
  const Folder folder;
  const std::string locked = folder / "locked", path = locked + "/result.json";
  fs::create_directory(locked);
  REQUIRE(::chmod(folder.path().c_str(), 0711) == 0);
  REQUIRE(::chmod(locked.c_str(), 0555) == 0);
  const std::string said = panecard::support::said_without_rights([&] {
    const auto written = write_file(path, "text");
    if (written.ok()) return std::string("written");
    return (written.error().code == Code::unwritable_file ? "unwritable: " : "other: ") +
           written.error().detail;
  });
  CAPTURE(said);
  CHECK(said.starts_with("unwritable: "));
  CHECK(said.find(path) != std::string::npos);
  CHECK(said.find("Permission denied") != std::string::npos);  // POSIX's words for EACCES
  CHECK(fs::is_empty(locked));
}

TEST_CASE("read_file refuses what is missing, no ordinary file, or too large") {
  const Folder folder;
  const std::string path = folder / "five";
  REQUIRE(write_file(path, "12345").ok());
  REQUIRE(::mkfifo((folder / "pipe").c_str(), 0600) == 0);
  struct Row {
    std::string path;
    std::size_t limit;
    Code code;
  };
  const Row rows[] = {
      {folder / "missing", 100, Code::unreadable_file},
      {folder.path().string(), 100, Code::unreadable_file},
      {folder / "pipe", 100, Code::unreadable_file},
      {"/dev/zero", 100, Code::unreadable_file},
      {path, 4, Code::too_large},
      {"", 100, Code::unreadable_file},
  };
  for (const Row& row : rows) {
    CAPTURE(row.path);
    const auto read = read_file(row.path, row.limit);
    CHECK(!read.ok());
    if (!read.ok()) CHECK(read.error().code == row.code);
  }
  CHECK(read_file(path, 5).ok());
}

TEST_CASE("Result hands out its value or its error, and asking for the wrong one throws") {
  const panecard::Result<int> good = 7, bad = panecard::Error{Code::bad_usage, "no"};
  CHECK(good.ok());
  CHECK(good.value() == 7);
  CHECK(!bad.ok());
  CHECK(bad.error().detail == "no");
  CHECK_THROWS(static_cast<void>(bad.value()));
}

TEST_CASE("every error code has a name of its own that leads back to it") {
  std::set<std::string> names;
  for (int i = 0; i <= static_cast<int>(Code::does_not_fit); ++i) {
    const auto code = static_cast<Code>(i);
    const std::string name(panecard::name_of(code));
    CAPTURE(i);
    CHECK(!name.empty());
    CHECK(names.insert(name).second);
    CHECK(panecard::code_named(name) == code);
  }
  CHECK(names.contains("card_not_found"));
  CHECK(!panecard::code_named("no such code"));
  CHECK(!panecard::code_named(""));
}
