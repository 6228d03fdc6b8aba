// Programs that end in the middle: killed, crashed, on a full disk. Nothing acknowledged is lost.
#include <doctest/doctest.h>
#include <signal.h>
#include <sys/stat.h>
#include <unistd.h>

#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>
#include <random>
#include <sstream>
#include <string>
#include <thread>
#include <vector>

#include "app/easy_photo.h"
#include "app/program.h"
#include "check/panes.h"
#include "library/library.h"
#include "library/results.h"
#include "support/folder.h"

using panecard::support::Folder;
using panecard::tests::easy_photo;
using panecard::tests::panecard_with;
using panecard::tests::Program;
using panecard::tests::Run;
namespace fs = std::filesystem;
namespace library = panecard::library;
namespace panes = panecard::check::test;

namespace {

#ifdef __SANITIZE_ADDRESS__
constexpr bool kSanitized = true;  // it has to be loaded first itself
#else
constexpr bool kSanitized = false;
#endif

/// PANECARD_KILLS=200 counts more of them.
int kills(int usual) {
  const char* wanted = std::getenv("PANECARD_KILLS");
  return wanted != nullptr ? std::atoi(wanted) : usual;
}

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

void sleep_us(unsigned long long us) { std::this_thread::sleep_for(std::chrono::microseconds(us)); }

/// What another program sees of the library now: measurements and revisions.
struct Seen {
  std::size_t panes = 0, measurements = 0;
  std::int64_t revisions = 0;
};

Seen seen_in(const std::string& file) {
  Seen seen;
  if (!fs::exists(file)) return seen;
  auto opened = library::Library::open(file, {library::Access::read, 5000});
  if (!opened.ok()) return seen;
  const auto all = opened.value().panes();
  REQUIRE(all.ok());
  for (const auto& line : all.value()) {
    const auto view = opened.value().show(line.pane);
    REQUIRE(view.ok());
    ++seen.panes;
    seen.measurements += view->measurements.size();
    seen.revisions += view->revision;
  }
  return seen;
}

/// As soon as there are so many measurements, or after a minute.
Seen seen_with(std::size_t measurements, const std::string& file) {
  Seen seen = seen_in(file);
  for (int i = 0; seen.measurements < measurements && i < 30'000; ++i) {
    sleep_us(2000);
    seen = seen_in(file);
  }
  return seen;
}

void check_kept(const Seen& before, const std::string& file) {
  const Seen after = seen_in(file);
  CHECK(after.panes >= before.panes);
  CHECK(after.measurements >= before.measurements);
  CHECK(after.revisions >= before.revisions);
}

void check_clean(const std::string& file) {
  auto opened = library::Library::open(file, {library::Access::read, 5000});
  REQUIRE(opened.ok());
  const auto findings = opened.value().verify();
  REQUIRE(findings.ok());
  CHECK(findings->empty());
}

void put(const std::string& folder, const std::string& name, const std::string& bytes) {
  std::ofstream(fs::path(folder) / name, std::ios::binary) << bytes;
}

/// Ten photos of five panes, two of them in pairs.
void put_photos(const std::string& folder) {
  fs::create_directory(folder);
  for (unsigned i = 0; i < 6; ++i) {
    put(folder, "Norden " + std::to_string(i) + "_slider.jpg", easy_photo(2, i));
  }
  put(folder, "Norden Kuma_pair 1.jpg", easy_photo(2, 10));
  put(folder, "Norden Kuma_pair 2.jpg", easy_photo(2, 11));
}

std::vector<std::string> batch_words(const std::string& photos, const std::string& file) {
  return {"batch", photos, "--library", file, "--at", "2026-05-01T12:00:00Z", "--by", "test"};
}

std::map<std::string, std::string> exported(const std::string& file, const std::string& out) {
  CHECK(panecard_with({"library", "export", file, out}).status == 0);
  std::map<std::string, std::string> files;
  for (const auto& entry : fs::recursive_directory_iterator(out)) {
    if (!entry.is_regular_file()) continue;
    files[fs::relative(entry.path(), out).string()] =
        panecard::support::bytes_of(entry.path().string());
  }
  return files;
}

/// Waits until the process has a child, as long as it takes at most; 0: it never had one.
pid_t child_of(pid_t process) {
  for (int i = 0; i < 2000; ++i) {
    for (const auto& entry : fs::directory_iterator("/proc")) {
      const std::string name = entry.path().filename().string();
      if (name.find_first_not_of("0123456789") != std::string::npos) continue;
      std::ifstream file(entry.path() / "stat");
      std::string line;
      std::getline(file, line);
      const std::size_t after = line.rfind(')');
      if (after == std::string::npos) continue;
      std::istringstream words(line.substr(after + 1));
      std::string state;
      pid_t parent = 0;
      words >> state >> parent;
      if (parent == process && state != "Z") return std::stoi(name);
    }
    sleep_us(2000);
  }
  return 0;
}

}  // namespace

TEST_CASE("a batch killed again and again loses nothing and ends as one that was not") {
  const Folder folder;
  const std::string photos = folder / "photos", file = folder / "killed.panes";
  put_photos(photos);
  const std::string whole = folder / "whole.panes";
  const auto start = std::chrono::steady_clock::now();
  CHECK(panecard_with(batch_words(photos, whole)).status == 0);
  const auto undisturbed = std::chrono::steady_clock::now() - start;
  const auto whole_us = static_cast<unsigned long long>(
      std::chrono::duration_cast<std::chrono::microseconds>(undisturbed).count());
  std::mt19937 random(7);
  int finished = 0, killed = 0;
  std::size_t kept = 0;
  while (killed < kills(4)) {
    Program batch(batch_words(photos, file));
    // In turn: at any moment, and right after something new is in the library.
    const std::size_t least = killed % 2 == 0 ? 0 : seen_in(file).measurements + 1;
    if (least == 0) sleep_us(random() % whole_us);
    const Seen before = seen_with(least, file);
    sleep_us(random() % 20'000);
    const Run run = batch.kill();
    if (run.status >= 0) {  // all was done before the blow; begin anew
      ++finished;
      CHECK(run.status == 0);
      for (const char* part : {"", "-wal", "-shm"}) fs::remove(file + part);
      continue;
    }
    ++killed;
    kept += before.measurements;
    if (!fs::exists(file)) continue;
    check_kept(before, file);
    if (seen_in(file).panes > 0) check_clean(file);
  }
  MESSAGE("killed " << killed << " times, finished before " << finished << " times; " << kept
                    << " measurements seen before and looked for after");
  CHECK(kept > 0);
  CHECK(panecard_with(batch_words(photos, file)).status == 0);
  const auto content = exported(file, folder / "a");
  CHECK(content.size() > 10);
  CHECK(content == exported(whole, folder / "b"));
}

TEST_CASE("what library add and combine have acknowledged outlives kill -9") {
  const Folder folder;
  const std::string file = folder / "l";
  const auto shape = panes::shape_of(panes::invented(4));
  const auto add = [&](unsigned number) -> std::vector<std::string> {
    const std::string name = "r" + std::to_string(number);
    return {"library",
            "add",
            file,
            folder.write(name, library::test::result(shape, name, static_cast<int>(number))),
            "--make",
            "Norden",
            "--window",
            "slider"};
  };
  const auto start = std::chrono::steady_clock::now();
  for (unsigned i = 0; i < 2; ++i) REQUIRE(panecard_with(add(i)).status == 0);
  const auto two = std::chrono::steady_clock::now() - start;
  const auto one_us = static_cast<unsigned long long>(
      std::chrono::duration_cast<std::chrono::microseconds>(two).count() / 2);
  std::mt19937 random(11);
  int additions = 0, combinations = 0;
  for (int i = 0; i < kills(8); ++i) {
    const bool combining = i % 2 == 1;
    const Seen before = seen_in(file);
    REQUIRE(before.measurements >= 2);
    // Few measurements: combining takes as long as all of them.
    if (before.measurements > 6) {
      for (const char* part : {"", "-wal", "-shm"}) fs::remove(file + part);
      for (unsigned k = 0; k < 2; ++k) REQUIRE(panecard_with(add(k)).status == 0);
      --i;
      continue;
    }
    Program program(combining ? std::vector<std::string>{"library", "combine", file, "1"}
                              : add(static_cast<unsigned>(i) + 2));
    // In turn: at any moment, and right after it has said that all is kept.
    const bool to_answer = i / 2 % 2 == 1;
    if (!to_answer) sleep_us(random() % (2 * one_us));
    for (int k = 0; to_answer && k < 30'000 && !has(program.said_so_far(), "pattern"); ++k) {
      sleep_us(2000);
    }
    const std::string said = program.said_so_far();
    program.kill();
    check_kept(before, file);
    const Seen after = seen_in(file);
    const bool added = has(said, "its pattern stays"), combined = has(said, "the pattern now");
    if (added) CHECK(after.measurements == before.measurements + 1);
    if (combined) CHECK(after.revisions == before.revisions + 1);
    if (to_answer) CHECK((combining ? combined : added));
    (combining ? combinations : additions) += added || combined ? 1 : 0;
    check_clean(file);
  }
  MESSAGE("acknowledged: " << additions << " additions, " << combinations << " combinations, of "
                           << kills(8));
  CHECK(additions >= kills(8) / 4);
  CHECK(combinations >= kills(8) / 4);
}

TEST_CASE("two batches at once on one library lose nothing and measure nothing into it twice") {
  const Folder folder;
  const std::string photos = folder / "photos", more = folder / "more", file = folder / "l";
  put_photos(photos);
  fs::create_directory(more);
  for (unsigned i = 4; i < 9; ++i) {  // two of them are in the other folder as well
    put(more, "Norden " + std::to_string(i) + "_slider.jpg", easy_photo(2, i));
  }
  Program first(batch_words(photos, file));
  Program second(batch_words(more, file));
  const Run a = first.wait(), b = second.wait();
  CAPTURE(a.err);
  CAPTURE(b.err);
  CHECK(a.status == 0);
  CHECK(b.status == 0);
  const Seen seen = seen_in(file);
  CHECK(seen.panes == 10);
  CHECK(seen.measurements == 10);
  check_clean(file);
}

TEST_CASE("a process that dies while it measures is one failed photo") {
  const Folder folder;
  const std::string photos = folder / "photos";
  fs::create_directory(photos);
  put(photos, "Norden 1_slider.jpg", easy_photo(2, 0));
  put(photos, "Norden 2_slider.jpg", easy_photo(2, 1));
  std::vector<std::string> words = batch_words(photos, folder / "l");
  words.insert(words.end(), {"--jobs", "1"});
  Program batch(words);
  const pid_t child = child_of(batch.id());
  REQUIRE(child > 0);
  ::kill(child, SIGSEGV);
  const Run run = batch.wait();
  CAPTURE(run.err);
  CHECK(run.status == 3);
  CHECK(has(run.err, "Norden 1_slider.jpg: measuring it broke off"));
  CHECK(has(run.out, "1 measured, 1 not measured"));
}

TEST_CASE("on a full disk library add and batch say so and lose nothing" *
          doctest::skip(kSanitized)) {
  const Folder folder;
  const std::string photos = folder / "photos", file = folder / "l";
  fs::create_directory(photos);
  put(photos, "Norden 1_slider.jpg", easy_photo(2, 0));
  const std::string first = folder.write("a", library::test::result(1));
  const std::string second = folder.write("b", library::test::result(2));
  const auto add = [&](const std::string& result) -> std::vector<std::string> {
    return {"library", "add", file, result, "--make", "Norden", "--window", "slider"};
  };
  REQUIRE(panecard_with(add(first)).status == 0);
  const Seen before = seen_in(file);
  REQUIRE(before.measurements == 1);
  int full = 0;
  for (const long bytes : {0L, 3'000L, 10'000L, 20'000L}) {
    CAPTURE(bytes);
    const std::vector<std::vector<std::string>> commands = {add(second), batch_words(photos, file)};
    for (const auto& words : commands) {
      const Run run = Program(words, bytes).wait();
      CAPTURE(run.err);
      if (run.status == 0) continue;
      ++full;
      panecard::tests::check_fails(run, 2);
      CHECK(has(run.err, "the disk is full"));
    }
    check_kept(before, file);
    check_clean(file);
  }
  CHECK(full >= 4);
  CHECK(panecard_with(batch_words(photos, file)).status == 0);
}
