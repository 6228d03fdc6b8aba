// A library's exported folder as it says itself: read, checked and hashed, nothing stored.
#pragma once

#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "library/exchange.h"
#include "library/keep.h"
#include "library/library.h"

namespace panecard::library {

std::int64_t whole(const Json& json, const char* key);
std::string text(const Json& json, const char* key);
std::string bytes_of(const Sha256& hash);
/// Only ordinary files of the folder itself: no link leads out of it.
std::string file_in(const fs::path& folder, const std::string& name);
std::vector<fs::path> folders_in(const fs::path& folder);
void must_be_text(const std::optional<Error>& why);

/// Texts as one that no other texts give.
std::string joined(const std::vector<std::string>& texts);
std::string of(const Stamp& stamp);
std::string of(const Vehicle& vehicle);
std::string of(const Pane& pane);

/// A revision by what it says, whatever the numbers are.
struct Said {
  std::string stamp, state;
  friend bool operator==(const Said&, const Said&) = default;
  std::string all() const { return joined({stamp, state}); }
};

/// Patterns and pieces by what they are.
using Names = std::map<std::int64_t, std::string>;

/// A measurement's file, read; its numbers are the folder's.
struct Record {
  std::int64_t id = 0, change = 0;
  Kept kept;
  std::string record, digest;
  const Json* photos = nullptr;  ///< in the pane's JSON
};

/// A pane's folder, read.
struct TheirPane {
  std::shared_ptr<const Json> json;
  fs::path folder;
  std::vector<Record> measurements;
  std::vector<Said> said;  ///< its revisions
};

/// A vehicle's folder, read.
struct TheirVehicle {
  std::int64_t id = 0;
  std::vector<Vehicle> states;
  std::vector<std::int64_t> changes;  ///< of each state
  std::vector<Said> said;
  std::vector<TheirPane> panes;
};

/// Throws Refusal and what Json and the file system throw.
class ExportedFolder {
 public:
  explicit ExportedFolder(fs::path folder);

  const std::map<std::int64_t, Stamp>& stamps() const { return stamps_; }
  std::vector<fs::path> vehicles() const { return folders_in(folder_); }
  TheirVehicle vehicle(const fs::path& folder) const;

  Names patterns(const TheirPane& pane) const;
  Names pieces(const TheirPane& pane) const;
  std::string pattern_record(const TheirPane& pane, std::int64_t id) const;
  std::string piece_record(const TheirPane& pane, std::int64_t id) const;
  /// A revision's content, by the names of what it names.
  std::string state_of(const Pane& about, const std::optional<std::int64_t>& pattern,
                       const std::vector<std::int64_t>& pieces, const Names& patterns,
                       const Names& piece_names) const;
  /// What belongs to one of the folder's changes.
  template <typename Value>
  const Value& at_change(const std::map<std::int64_t, Value>& values, std::int64_t change) const {
    const auto found = values.find(change);
    if (found == values.end()) no_change(change);
    return found->second;
  }

 private:
  [[noreturn]] void no_change(std::int64_t change) const;
  std::string name_in(const Names& names, std::int64_t id) const;
  TheirPane pane(const fs::path& folder) const;

  fs::path folder_;
  std::map<std::int64_t, Stamp> stamps_;
};

}  // namespace panecard::library
