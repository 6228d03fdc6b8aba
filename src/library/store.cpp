#include "library/store.h"

#include <sqlite3.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <unistd.h>

#include <array>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "library/index.h"

namespace panecard::library {
namespace {

namespace fs = std::filesystem;

constexpr int kApplication = 0x706E4C62;  ///< "pnLb", in bytes 68 to 71 of the file
constexpr int kPageBytes = 1024;          ///< records of 3 to 6 KB waste half a page each

/// Each takes the file from the layout before it to its own. Never changed once released: a new
/// layout is a new entry.
constexpr std::array<const char*, 3> kLayouts = {R"(
CREATE TABLE change(
  id INTEGER PRIMARY KEY, at TEXT NOT NULL, who TEXT NOT NULL, reason TEXT NOT NULL);
CREATE TABLE vehicle(id INTEGER PRIMARY KEY);
CREATE TABLE vehicle_revision(
  vehicle INTEGER NOT NULL REFERENCES vehicle, number INTEGER NOT NULL,
  change INTEGER NOT NULL REFERENCES change,
  make TEXT NOT NULL, model TEXT NOT NULL, years TEXT NOT NULL, body TEXT NOT NULL,
  notes TEXT NOT NULL, PRIMARY KEY(vehicle, number)) WITHOUT ROWID;
CREATE TABLE pane(id INTEGER PRIMARY KEY, vehicle INTEGER NOT NULL REFERENCES vehicle);
CREATE INDEX pane_of_vehicle ON pane(vehicle);
CREATE TABLE measurement(
  id INTEGER PRIMARY KEY, pane INTEGER NOT NULL REFERENCES pane,
  change INTEGER NOT NULL REFERENCES change, boundary TEXT NOT NULL, lens TEXT NOT NULL,
  photo_name TEXT NOT NULL, digest BLOB NOT NULL UNIQUE, record BLOB NOT NULL);
CREATE INDEX measurement_of_pane ON measurement(pane);
CREATE TABLE photo(
  measurement INTEGER NOT NULL REFERENCES measurement, number INTEGER NOT NULL,
  name TEXT NOT NULL, hash BLOB NOT NULL, PRIMARY KEY(measurement, number)) WITHOUT ROWID;
CREATE INDEX photo_by_hash ON photo(hash);
CREATE TABLE photo_copy(hash BLOB PRIMARY KEY, jpeg BLOB NOT NULL);
CREATE TABLE pattern(
  id INTEGER PRIMARY KEY, pane INTEGER NOT NULL REFERENCES pane,
  measurement INTEGER REFERENCES measurement, record BLOB,
  CHECK((measurement IS NULL) <> (record IS NULL)));
CREATE INDEX pattern_of_pane ON pattern(pane);
CREATE TABLE pattern_source(
  pattern INTEGER NOT NULL REFERENCES pattern,
  measurement INTEGER NOT NULL REFERENCES measurement,
  PRIMARY KEY(pattern, measurement)) WITHOUT ROWID;
CREATE TABLE piece(
  id INTEGER PRIMARY KEY, pane INTEGER NOT NULL REFERENCES pane, name TEXT NOT NULL,
  record BLOB NOT NULL);
CREATE INDEX piece_of_pane ON piece(pane);
CREATE TABLE pane_revision(
  pane INTEGER NOT NULL REFERENCES pane, number INTEGER NOT NULL,
  change INTEGER NOT NULL REFERENCES change, window TEXT NOT NULL, side TEXT NOT NULL,
  notes TEXT NOT NULL, pattern INTEGER REFERENCES pattern,
  PRIMARY KEY(pane, number)) WITHOUT ROWID;
CREATE TABLE revision_piece(
  pane INTEGER NOT NULL, number INTEGER NOT NULL, piece INTEGER NOT NULL REFERENCES piece,
  PRIMARY KEY(pane, number, piece),
  FOREIGN KEY(pane, number) REFERENCES pane_revision) WITHOUT ROWID;
CREATE VIEW vehicle_now AS SELECT * FROM vehicle_revision AS r
  WHERE number = (SELECT max(number) FROM vehicle_revision WHERE vehicle = r.vehicle);
CREATE VIEW pane_now AS SELECT * FROM pane_revision AS r
  WHERE number = (SELECT max(number) FROM pane_revision WHERE pane = r.pane);
)",
                                                 R"(
CREATE VIRTUAL TABLE pane_words USING fts5(words, tokenize = 'ascii', detail = 'none',
                                           columnsize = 0, prefix = '2 3');
CREATE TABLE word(word TEXT PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE pane_shape(pane INTEGER PRIMARY KEY REFERENCES pane, value BLOB NOT NULL);
)",
                                                 R"(
CREATE TABLE photo_failed(hash BLOB PRIMARY KEY, how TEXT NOT NULL, why TEXT NOT NULL);
)"};
constexpr int kFirstSearched = 2;  ///< the layout whose search has to be filled

Error unreadable(const std::string& path, const std::string& why) {
  return {Code::unreadable_file, "library '" + path + "': " + why};
}

int pragma(SQLite::Database& db, const std::string& name) {
  return db.execAndGet("PRAGMA " + name).getInt();
}

/// Settings that hold for this connection only.
void set_up(SQLite::Database& db) {
  db.exec("PRAGMA foreign_keys = ON");
  db.exec("PRAGMA synchronous = FULL");
  db.exec("PRAGMA trusted_schema = OFF");
  db.exec("PRAGMA cell_size_check = ON");
}

std::optional<Error> migrate(SQLite::Database& db, const std::string& path, bool fresh) {
  SQLite::Transaction transaction(db, SQLite::TransactionBehavior::IMMEDIATE);
  const int found = pragma(db, "user_version");  // again: another program may have been faster
  if (found == 0 && !fresh) return unreadable(path, "it is not finished; take the last backup");
  for (int layout = found; layout < newest_layout(); ++layout) {
    db.exec(kLayouts[static_cast<std::size_t>(layout)]);
  }
  if (found < kFirstSearched) index_all(db);
  db.exec("PRAGMA application_id = " + std::to_string(kApplication));
  db.exec("PRAGMA user_version = " + std::to_string(newest_layout()));
  transaction.commit();
  return std::nullopt;
}

/// What is wrong with the size of a file that is no database at all, or not all of one.
std::optional<Error> wrong_size(const std::string& path, const Opening& how) {
  constexpr std::uintmax_t kHeader = 100, kLeast = 512;  // SQLite's file format, 1.3
  std::error_code none;
  const std::uintmax_t size = fs::file_size(path, none);
  if (none) return std::nullopt;
  if (size == 0 && how.access != Access::create) {
    return unreadable(path,
                      "it is empty, as a program that was ended leaves it; delete it, or "
                      "fill it with library add");
  }
  if (size == 0) return std::nullopt;
  if (size < kLeast) return unreadable(path, "it is no panecard library; name another file");
  if (how.access == Access::read) return std::nullopt;
  std::string head(kHeader, '\0');
  std::ifstream(path, std::ios::binary).read(head.data(), kHeader);
  if (const auto why = cut_short(head, size, path)) {
    return unreadable(path, *why + "; keep it aside and take the last backup");
  }
  return std::nullopt;
}

/// Whether this is a file of ours, and of a layout that we know.
std::optional<Error> recognise(SQLite::Database& db, const std::string& path, bool may_be_empty) {
  const int application = pragma(db, "application_id"), layout = pragma(db, "user_version");
  const bool empty =
      application == 0 && layout == 0 && pragma(db, "schema_version") == 0 && may_be_empty;
  if (empty) return std::nullopt;
  if (application != kApplication) {
    return unreadable(path, "it is no panecard library; name another file");
  }
  if (layout > newest_layout()) {
    return unreadable(path, "it was written by a newer panecard (layout " + std::to_string(layout) +
                                ", this one knows " + std::to_string(newest_layout()) +
                                "); use that one");
  }
  return std::nullopt;
}

/// In a place where nothing can be written there is nobody to be protected from either.
std::string unchanging(const std::string& path) {
  std::string uri = "file:";
  for (const char c : fs::absolute(path).string()) {
    constexpr const char* kDigits = "0123456789ABCDEF";
    const auto byte = static_cast<unsigned char>(c);
    if (std::isalnum(byte) != 0 || c == '/' || c == '.' || c == '-' || c == '_') {
      uri.push_back(c);
    } else {
      uri += {'%', kDigits[byte >> 4U], kDigits[byte & 15U]};
    }
  }
  return uri + "?immutable=1";
}

bool folder_is_read_only(const std::string& path) {
  std::error_code ignored;
  const fs::path folder = fs::absolute(path, ignored).parent_path();
  const auto wal = fs::file_size(path + "-wal", ignored);
  const bool nothing_pending = ignored || wal == 0;
  return ::access(folder.c_str(), W_OK) != 0 && nothing_pending;
}

SQLite::Database open_reading(const std::string& path, int wait_ms) {
  if (folder_is_read_only(path)) {
    return {unchanging(path), SQLite::OPEN_READONLY | SQLite::OPEN_URI, wait_ms};
  }
  return {path, SQLite::OPEN_READONLY, wait_ms};
}

/// A library without panes appears whole under its name, or not at all.
void create(const std::string& path) {
  const std::string aside = aside_name(path);
  std::error_code trouble;
  remove_leftovers(path);
  fs::remove(aside, trouble);
  try {
    {
      SQLite::Database db(aside, SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE);
      db.exec("PRAGMA page_size = " + std::to_string(kPageBytes));
      set_up(db);
      (void)migrate(db, path, true);
    }
    fs::create_hard_link(aside, path, trouble);  // fails where another program was faster
    if (trouble && !fs::exists(path)) fs::rename(aside, path, trouble);  // a disk without links
    on_disk(fs::path(path).parent_path().string());
  } catch (const SQLite::Exception&) {
    fs::remove(aside, trouble);
    throw;
  }
  fs::remove(aside, trouble);
}

SQLite::Database open_writing(const std::string& path, const Opening& how, bool& fresh) {
  std::error_code ignored;
  if (how.access == Access::create && !fs::exists(path, ignored)) create(path);
  SQLite::Database db(path, SQLite::OPEN_READWRITE, how.wait_ms);
  fresh = how.access == Access::create && pragma(db, "schema_version") == 0;
  if (fresh) db.exec("PRAGMA page_size = " + std::to_string(kPageBytes));
  return db;
}

/// A program that was ended while it wrote left a change half done: SQLite takes it back as soon
/// as somebody who may write opens the file.
bool unfinished(const SQLite::Exception& e) {
  const int code = e.getExtendedErrorCode();
  return code == SQLITE_READONLY_ROLLBACK || code == SQLITE_READONLY_RECOVERY;
}

void take_back(const std::string& path, int wait_ms) {
  SQLite::Database db(path, SQLite::OPEN_READWRITE, wait_ms);
  pragma(db, "schema_version");
}

std::string program_of(int process) {
  std::ifstream file("/proc/" + std::to_string(process) + "/cmdline", std::ios::binary);
  constexpr std::size_t kMost = 120;
  std::string line(kMost, '\0');
  file.read(line.data(), static_cast<std::streamsize>(line.size()));
  line.resize(static_cast<std::size_t>(file.gcount()));
  for (char& c : line) {
    if (static_cast<unsigned char>(c) < ' ') c = ' ';
  }
  while (!line.empty() && line.back() == ' ') line.pop_back();
  return line;
}

/// The process with a write lock on a byte of the file, by Linux's list of locks: asking by
/// fcntl would need the file opened, and closing it again would drop our own locks.
int writer_of(const std::string& path, std::int64_t first, std::int64_t last) {
  struct stat info {};
  if (::stat(path.c_str(), &info) != 0) return 0;
  const std::string inode = ":" + std::to_string(info.st_ino);
  std::ifstream locks("/proc/locks");
  for (std::string line; std::getline(locks, line);) {
    std::istringstream words(line);
    std::string number, kind, mode, access, file, end;
    int process = 0;
    std::int64_t start = 0;
    words >> number >> kind >> mode >> access >> process >> file >> start >> end;
    if (!words || access != "WRITE" || !file.ends_with(inode) || process <= 0) continue;
    std::int64_t stop = last;
    if (end != "EOF") std::istringstream(end) >> stop;
    if (start <= last && stop >= first) return process;
  }
  return 0;
}

}  // namespace

std::optional<std::string> cut_short(std::string_view head, std::uintmax_t bytes,
                                     const std::string& path) {
  constexpr std::size_t kHeader = 100;  // SQLite's file format, 1.3
  if (head.size() < kHeader || !head.starts_with("SQLite format 3")) return std::nullopt;
  for (const char* change : {"-wal", "-journal"}) {
    std::error_code none;
    const std::uintmax_t size = fs::file_size(path + change, none);
    if (!none && size > 0) return std::nullopt;
  }
  const auto number = [&](std::size_t at, std::size_t count) {
    std::uintmax_t value = 0;
    for (std::size_t i = 0; i < count; ++i) {
      value = value << 8U | static_cast<unsigned char>(head[at + i]);
    }
    return value;
  };
  constexpr std::size_t kPageSize = 16, kChanges = 24, kPages = 28, kValidFor = 92;
  const std::uintmax_t page = number(kPageSize, 2) == 1 ? 65536 : number(kPageSize, 2);
  if (page == 0) return std::nullopt;
  const bool counted = number(kChanges, 4) == number(kValidFor, 4);
  const std::uintmax_t whole =
      counted ? number(kPages, 4) * page : (bytes + page - 1) / page * page;
  if (bytes >= whole) return std::nullopt;
  return "it is cut short: " + std::to_string(bytes) + " of " + std::to_string(whole) +
         " bytes are there";
}

int newest_layout() { return static_cast<int>(kLayouts.size()); }

std::string holder_of(const std::string& path) {
  // SQLite's own places of its locks: the WAL index's writer is byte 120 of it (wal.c), a rollback
  // journal's writer and the exclusive lock are at 0x40000000 of the file (os.h).
  constexpr std::int64_t kWalFirst = 120, kWalLast = 127, kPending = 0x40000000, kShared = 511;
  int process = writer_of(path + "-shm", kWalFirst, kWalLast);
  if (process == 0) process = writer_of(path, kPending, kPending + kShared);
  if (process == 0) return {};
  const std::string program = program_of(process);
  return "process " + std::to_string(process) + (program.empty() ? "" : " (" + program + ")");
}

Error Store::read_only() const {
  return {Code::unwritable_file,
          "library '" + path_ + "' is open for reading only; make its folder writable"};
}

Error in_words(const SQLite::Exception& e, const std::string& path) {
  const std::string at = "library '" + path + "': ";
  // The index of the log is the first that finds no room.
  const bool no_room = e.getExtendedErrorCode() == SQLITE_IOERR_SHMSIZE;
  switch (no_room ? SQLITE_FULL : e.getErrorCode()) {
    case SQLITE_BUSY:
    case SQLITE_LOCKED: {
      const std::string holder = holder_of(path);
      return {Code::unwritable_file, at + "held by " +
                                         (holder.empty() ? "another program" : holder) +
                                         "; wait until it is done and try again"};
    }
    case SQLITE_NOTADB:
      return {Code::unreadable_file, at + "it is no panecard library; name another file"};
    case SQLITE_CORRUPT:
      return {Code::unreadable_file, at + "damaged; keep it aside and take the last backup"};
    case SQLITE_FULL:
      return {Code::unwritable_file, at + "the disk is full; nothing was changed. Make room"};
    case SQLITE_READONLY:
      if (unfinished(e)) {
        return {Code::unreadable_file,
                at + "a program was ended while it wrote to it; open it once where it may be "
                     "written to, which takes the half change back"};
      }
      return {Code::unwritable_file, at + "it may not be written to; change its permissions"};
    case SQLITE_CANTOPEN:
      return {Code::unreadable_file,
              at + "cannot be opened; check the name, and that its folder may be written to"};
    case SQLITE_IOERR:
      return {Code::unwritable_file, at + "the disk failed (" + e.what() + "); check it"};
    default:
      return {Code::unreadable_file, at + e.what() + "; run library check"};
  }
}

Result<std::unique_ptr<Store>> Store::open(const std::string& path, const Opening& how) {
  std::error_code ignored;
  if (path.empty() || path.find('\0') != std::string::npos) {
    return Error{Code::bad_usage, "name the library's file"};
  }
  if (fs::is_directory(path, ignored)) return unreadable(path, "it is a folder; name a file in it");
  if (how.access != Access::create && !fs::exists(path, ignored)) {
    return unreadable(path, "there is no such file; library add makes one");
  }
  if (auto wrong = wrong_size(path, how)) return *wrong;
  return open_sound(path, how, true);
}

Result<std::unique_ptr<Store>> Store::open_sound(const std::string& path, const Opening& how,
                                                 bool again) {
  const bool writes = how.access != Access::read;
  try {
    bool fresh = false;
    // An absolute name: SQLite takes ":memory:" and "file:" for something else.
    const std::string name = fs::absolute(path).string();
    auto db = writes ? open_writing(name, how, fresh) : open_reading(name, how.wait_ms);
    set_up(db);
    if (auto strange = recognise(db, path, fresh)) return *strange;
    if (pragma(db, "user_version") < newest_layout()) {
      if (!writes) return unreadable(path, "it is of an older layout; open it once for writing");
      if (auto failed = migrate(db, path, fresh)) return *failed;
    }
    if (writes) db.execAndGet("PRAGMA journal_mode = WAL");
    return std::make_unique<Store>(path, std::move(db), writes);
  } catch (const SQLite::Exception& e) {
    if (writes || !again || !unfinished(e)) return library::in_words(e, path);
  }
  try {
    take_back(fs::absolute(path).string(), how.wait_ms);
  } catch (const SQLite::Exception&) {  // the second try says why
  }
  return open_sound(path, how, false);
}

}  // namespace panecard::library
