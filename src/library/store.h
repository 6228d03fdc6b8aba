// The library's file: opened, migrated, locked, and its troubles put into words.
#pragma once

#include <SQLiteCpp/SQLiteCpp.h>
#include <SQLiteCpp/VariadicBind.h>

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "base/base.h"
#include "library/library.h"

namespace panecard::library {

/// What SQLite says about the library at `path`, for a person.
Error in_words(const SQLite::Exception& e, const std::string& path);

struct ShapeIndex;

class Store {
 public:
  Store(std::string path, SQLite::Database db, bool writable)
      : path_(std::move(path)), db_(std::move(db)), writable_(writable) {}
  static Result<std::unique_ptr<Store>> open(const std::string& path, const Opening& how);

  SQLite::Database& db() { return db_; }
  const std::string& path() const { return path_; }

  /// What `act` returns, in one transaction that is on the disk afterwards; an Error undoes it.
  template <typename Act>
  auto change(const Act& act) -> decltype(act()) {
    try {
      if (!writable_) return read_only();
      SQLite::Transaction transaction(db_, SQLite::TransactionBehavior::IMMEDIATE);
      auto result = act();
      if (result.ok()) transaction.commit();
      return result;
    } catch (const SQLite::Exception& e) {
      return in_words(e);
    }
  }

  /// What `act` returns, all of it from one moment.
  template <typename Act>
  auto read(const Act& act) -> decltype(act()) {
    try {
      SQLite::Transaction transaction(db_, SQLite::TransactionBehavior::DEFERRED);
      return act();
    } catch (const SQLite::Exception& e) {
      return in_words(e);
    }
  }

  Error in_words(const SQLite::Exception& e) const { return library::in_words(e, path_); }
  Error read_only() const;

  /// What find_like searches, kept as long as nothing changes.
  const ShapeIndex& shapes();

 private:
  static Result<std::unique_ptr<Store>> open_sound(const std::string& path, const Opening& how,
                                                   bool again);

  std::string path_;
  SQLite::Database db_;
  bool writable_ = false;
  std::shared_ptr<const ShapeIndex> shapes_;
};

/// What is missing of a file with this first part and size, as in "it is cut short: ..."; nothing
/// where a change is under way, which may have more of it.
std::optional<std::string> cut_short(std::string_view head, std::uintmax_t bytes,
                                     const std::string& path);

/// The newest layout this program knows.
int newest_layout();

/// The program that is writing to the library, as well as the system tells: "process 812
/// (panecard library add ...)"; empty when it does not.
std::string holder_of(const std::string& path);

}  // namespace panecard::library
