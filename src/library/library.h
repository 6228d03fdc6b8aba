// Every pane that was ever measured, in one file: vehicles, their panes, measurements, the pattern
// in force and its film pieces. Nothing is overwritten: a change is a new revision with its reason.
//
// Method  SQLite in WAL mode, opened by as many programs as like; a change is one transaction that
//         is on the disk when it is acknowledged. Outlines are kept as docs/library.md says.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "base/base.h"
#include "check/check.h"
#include "fusion/fusion.h"
#include "geom/geom.h"
#include "records/records.h"

namespace panecard::library {

/// Free text, as the shop likes it; valid UTF-8.
struct Vehicle {
  std::string make, model;
  std::string years;  ///< "2019", "2017-2022": a span is found by each of its years
  std::string body, notes;
  friend bool operator==(const Vehicle&, const Vehicle&) = default;
};

struct Pane {
  std::string window;  ///< "front door"
  std::string side;    ///< "left"
  std::string notes;
  friend bool operator==(const Pane&, const Pane&) = default;
};

/// Who changed something, when and why. The library has no clock.
struct Stamp {
  std::string at;  ///< RFC 3339, UTC
  std::string who, reason;
};

using records::hex;
using records::sha256;
using records::Sha256;

struct Photo {
  std::string name;
  Sha256 hash{};
  std::string small_jpeg;  ///< may be empty
};

struct Added {
  std::int64_t vehicle = 0, pane = 0, measurement = 0;
  bool already_there = false;  ///< the same photo or the same result: nothing was added
  bool in_force = false;       ///< the measurement became the pane's pattern
};

/// What a search or a list shows of a pane.
struct PaneLine {
  std::int64_t pane = 0;
  Vehicle vehicle;
  Pane about;
};

struct MeasurementLine {
  std::int64_t id = 0;
  std::string boundary, lens, photo_name;
  Stamp stamp;
  std::vector<Photo> photos;  ///< without their copies
};

struct PieceLine {
  std::string name;
  std::string json;
};

struct PaneView {
  std::int64_t vehicle_number = 0;
  PaneLine line;
  std::int64_t revision = 0;
  std::optional<std::int64_t> pattern;  ///< of none, one or several measurements
  std::vector<std::int64_t> made_from;
  std::vector<MeasurementLine> measurements;
  std::vector<PieceLine> pieces;
};

struct Revision {
  bool of_vehicle = false;  ///< else of the pane
  std::int64_t number = 0;
  Stamp stamp;
  std::string what;  ///< "measurement 4 in force; notes"
};

/// A pane whose outline is like the one asked for.
struct Alike : fusion::Similarity {
  PaneLine line;
};

/// Several measurements of one pane as one.
struct Combined {
  std::string result_json;
  std::vector<std::int64_t> used;
  std::vector<fusion::Consistency> tests;  ///< of the measurements used
  std::optional<std::int64_t> disagrees;   ///< as fusion::Combined says
  double median_u95_before_mm = 0, median_u95_mm = 0;
};

/// What came of another library's folder.
struct Imported {
  std::int64_t fresh = 0;                 ///< panes that were not here
  std::int64_t known = 0;                 ///< panes of which nothing was new
  std::int64_t brought_on = 0;            ///< vehicles and panes that were changed there only
  std::vector<std::string> both_changed;  ///< changed here and there, each its own way: their names
};

enum class Access { read, write, create };

/// How a library is opened.
struct Opening {
  Access access = Access::read;
  int wait_ms = 5000;  ///< for another program that is writing
};

class Store;

class Library {
 public:
  /// @retval unreadable_file  no such file, no library, damaged, or of a newer program
  /// @retval unwritable_file  read-only, full, or held by another program, with which one
  static Result<Library> open(const std::string& path, const Opening& how);
  Library(Library&&) noexcept;
  Library& operator=(Library&&) noexcept;
  ~Library();

  /// Why add would refuse this, asked before a library is made for it.
  static std::optional<Error> cannot_add(const Vehicle& vehicle, const Pane& pane,
                                         const std::string& result_json,
                                         const std::vector<Photo>& photos, const Stamp& stamp);

  /// @param put_in_force  also where the pane has a pattern already
  Result<Added> add(const Vehicle& vehicle, const Pane& pane, const std::string& result_json,
                    const std::vector<Photo>& photos, const Stamp& stamp, bool put_in_force);

  /// The measurement made from this photo, if there is one: already_there says so.
  Result<Added> with_photo(const Sha256& hash) const;

  /// Remembers that this photo could not be measured, so that it need not be tried again. It is no
  /// part of the history. @param how  program and options; with others it may well be measured
  Result<bool> set_failure(const Sha256& photo, const std::string& how, const std::string& why);
  /// Why; nothing where it is not known to have failed so.
  Result<std::optional<std::string>> failure(const Sha256& photo, const std::string& how) const;

  Result<std::int64_t> change_vehicle(std::int64_t vehicle, const Vehicle& to, const Stamp& stamp);
  Result<std::int64_t> change_pane(std::int64_t pane, const Pane& to, const Stamp& stamp);
  Result<std::int64_t> put_in_force(std::int64_t pane, std::int64_t measurement,
                                    const Stamp& stamp);
  /// A pattern made from several measurements of the pane.
  Result<std::int64_t> put_in_force(std::int64_t pane, const std::string& result_json,
                                    const std::vector<std::int64_t>& made_from, const Stamp& stamp);
  /// Of a name that is there already: replaces it from this revision on.
  Result<std::int64_t> set_piece(std::int64_t pane, const std::string& name,
                                 const std::string& piece_json, const Stamp& stamp);

  Result<std::vector<Revision>> history(std::int64_t pane) const;
  /// Makes an earlier revision the pane's newest one.
  Result<std::int64_t> restore(std::int64_t pane, std::int64_t revision, const Stamp& stamp);
  Result<std::int64_t> restore_vehicle(std::int64_t vehicle, std::int64_t revision,
                                       const Stamp& stamp);

  /// Panes whose words start as the words asked for do, or with typing errors: the nearest first.
  Result<std::vector<PaneLine>> find(const std::string& text, std::size_t most) const;
  /// Panes whose pattern has this outline, turned or mirrored at will: the smallest gap first.
  /// @retval degenerate_shape
  Result<std::vector<Alike>> find_like(const check::Shape& shape, std::size_t most) const;

  /// Of all measurements of a pane but those left out; nothing is changed.
  /// @retval bad_usage  fewer than two, or measurements that cannot be combined, and why
  Result<Combined> combine(std::int64_t pane, const std::vector<std::int64_t>& without) const;

  Result<PaneView> show(std::int64_t pane) const;
  Result<std::vector<PaneLine>> panes() const;
  /// The result file of the pattern in force, or of one measurement.
  Result<std::string> pattern_json(std::int64_t pane) const;
  Result<std::string> measurement_json(std::int64_t measurement) const;
  Result<check::Shape> pattern_shape(std::int64_t pane) const;
  Result<check::Shape> measurement_shape(std::int64_t measurement) const;
  Result<std::string> photo_copy(std::int64_t measurement, const Sha256& hash) const;

  /// What is wrong with the file and its records; nothing is repaired. Empty: all is well.
  Result<std::vector<Finding>> verify() const;
  /// A whole library of its own, while others go on writing. @retval unwritable_file
  Result<std::int64_t> backup(const std::string& path) const;

  /// Everything as a folder of JSON, SVG and small photos that reads well in a diff; the panes in
  /// it.
  /// @retval unwritable_file  also when the folder is there and not empty
  Result<std::int64_t> export_to(const std::string& folder) const;
  /// Such a folder: all of it, or nothing where it is wrong. What is known here already is skipped,
  /// newer revisions follow on ours; where both went on, ours stays in force.
  /// @param theirs_hold  what comes in follows on ours there as well
  /// @retval unreadable_file
  Result<Imported> import_from(const std::string& folder, bool theirs_hold = false);

 private:
  explicit Library(std::unique_ptr<Store> store);
  std::unique_ptr<Store> store_;
};

}  // namespace panecard::library
