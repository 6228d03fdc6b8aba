// Looking after the file: what is wrong with it, and copies of it.
#include <SQLiteCpp/Backup.h>

#include <filesystem>
#include <fstream>

#include "library/index.h"
#include "library/pack.h"
#include "library/records.h"

namespace panecard::library {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kMostFindings = 100;

void check_size(const std::string& path, std::vector<Finding>& findings) {
  constexpr std::size_t kHeader = 100;
  std::string head(kHeader, '\0');
  std::ifstream file(path, std::ios::binary);
  std::error_code none;
  const std::uintmax_t size = fs::file_size(path, none);
  if (!file.read(head.data(), kHeader) || none) return;
  if (const auto why = cut_short(head, size, path)) findings.push_back({"file", *why});
}

void check_file(SQLite::Database& db, std::vector<Finding>& findings) {
  SQLite::Statement pages(db, "PRAGMA integrity_check(20)");
  while (pages.executeStep()) {
    const std::string line = pages.getColumn(0).getString();
    if (line != "ok") findings.push_back({"file", line});
  }
  SQLite::Statement links(db, "PRAGMA foreign_key_check");
  while (links.executeStep() && findings.size() < kMostFindings) {
    findings.push_back({"link", "row " + links.getColumn(1).getString() + " of " +
                                    links.getColumn(0).getString() + " points to nothing in " +
                                    links.getColumn(2).getString()});
  }
}

template <typename Reads>
void check_records(SQLite::Database& db, const std::string& what, const char* sql,
                   const Reads& reads, std::vector<Finding>& findings) {
  SQLite::Statement query(db, sql);
  while (query.executeStep() && findings.size() < kMostFindings) {
    if (auto why = reads(blob(query.getColumn(1)))) {
      findings.push_back({"record", what + " " + query.getColumn(0).getString() + ": " + *why});
    }
  }
}

std::optional<std::string> outline_trouble(const std::string& record) {
  const auto kept = unpack(record);
  if (!kept.ok()) return kept.error().detail;
  return std::nullopt;
}

std::optional<std::string> piece_trouble(const std::string& record) {
  const auto json = unpack_piece(record);
  if (!json.ok()) return json.error().detail;
  return std::nullopt;
}

/// By its digest a measurement is known again, here and in other libraries.
void check_digests(SQLite::Database& db, std::vector<Finding>& findings) {
  SQLite::Statement query(db, "SELECT id, record, digest FROM measurement");
  while (query.executeStep() && findings.size() < kMostFindings) {
    const Sha256 digest = sha256(blob(query.getColumn(1)));
    if (blob(query.getColumn(2)) == std::string(digest.begin(), digest.end())) continue;
    findings.push_back({"digest", "measurement " + query.getColumn(0).getString() +
                                      ": its digest is not that of its record"});
  }
}

void check_texts(SQLite::Database& db, std::vector<Finding>& findings) {
  const auto look = [&](const std::string& what, const char* sql, const auto& trouble) {
    SQLite::Statement query(db, sql);
    while (query.executeStep() && findings.size() < kMostFindings) {
      if (const std::optional<Error> why = trouble(query)) {
        findings.push_back(
            {"text", what + " " + query.getColumn(0).getString() + ": " + why->detail});
      }
    }
  };
  look("change", "SELECT id, at, who, reason FROM change",
       [](SQLite::Statement& row) { return not_text(stamp_at(row, 1)); });
  look("vehicle", "SELECT vehicle, make, model, years, body, notes FROM vehicle_revision",
       [](SQLite::Statement& row) { return not_text(vehicle_at(row, 1)); });
  look("pane", "SELECT pane, window, side, notes FROM pane_revision", [](SQLite::Statement& row) {
    return not_text(Pane{row.getColumn(1).getString(), row.getColumn(2).getString(),
                         row.getColumn(3).getString()});
  });
}

/// Revisions count from 1 without a gap.
void check_counts(SQLite::Database& db, std::vector<Finding>& findings) {
  const auto look = [&](const char* sql, const std::string& what) {
    SQLite::Statement query(db, sql);
    while (query.executeStep() && findings.size() < kMostFindings) {
      findings.push_back({"revisions", what + " " + query.getColumn(0).getString() +
                                           " lacks some of its revisions"});
    }
  };
  look(
      "SELECT p.id FROM pane AS p LEFT JOIN pane_revision AS r ON r.pane = p.id "
      "GROUP BY p.id HAVING count(r.number) = 0 OR count(r.number) <> max(r.number)",
      "pane");
  look(
      "SELECT v.id FROM vehicle AS v LEFT JOIN vehicle_revision AS r ON r.vehicle = v.id "
      "GROUP BY v.id HAVING count(r.number) = 0 OR count(r.number) <> max(r.number)",
      "vehicle");
}

void check_search(SQLite::Database& db, std::vector<Finding>& findings) {
  db.exec("SAVEPOINT look");  // one moment, whoever writes meanwhile
  SQLite::Statement panes(db, "SELECT id FROM pane");
  while (panes.executeStep() && findings.size() < kMostFindings) {
    const std::int64_t pane = panes.getColumn(0).getInt64();
    if (auto why = index_trouble(db, pane)) {
      findings.push_back({"search", "pane " + std::to_string(pane) + " " + *why});
    }
  }
  panes.reset();
  db.exec("RELEASE look");
}

}  // namespace

Result<std::vector<Finding>> Library::verify() const {
  std::vector<Finding> findings;
  try {
    SQLite::Database& db = store_->db();
    check_size(store_->path(), findings);
    check_file(db, findings);
    check_records(db, "measurement", "SELECT id, record FROM measurement", outline_trouble,
                  findings);
    check_records(db, "pattern", "SELECT id, record FROM pattern WHERE record IS NOT NULL",
                  outline_trouble, findings);
    check_records(db, "piece", "SELECT id, record FROM piece", piece_trouble, findings);
    check_digests(db, findings);
    check_texts(db, findings);
    check_counts(db, findings);
    check_search(db, findings);
  } catch (const SQLite::Exception& e) {
    const Error error = store_->in_words(e);
    if (findings.empty()) return error;
    findings.push_back({"file", error.detail});
  }
  return findings;
}

Result<std::int64_t> Library::backup(const std::string& path) const {
  std::error_code trouble;
  if (fs::exists(path, trouble)) {
    return Error{Code::unwritable_file,
                 "'" + path + "' is there already; a backup overwrites nothing, name a new file"};
  }
  const std::string part = aside_name(fs::absolute(path).string());
  remove_leftovers(path);
  fs::remove(part, trouble);
  try {
    {
      SQLite::Database copy(part, SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE);
      SQLite::Backup backup(copy, store_->db());
      backup.executeStep(-1);  // one step: a writer meanwhile makes a stepwise copy start again
      copy.exec("PRAGMA journal_mode = DELETE");
    }
    fs::rename(part, path);
    return static_cast<std::int64_t>(fs::file_size(path));
  } catch (const SQLite::Exception& e) {
    fs::remove(part, trouble);
    return Error{Code::unwritable_file, "cannot write '" + path + "': " + e.what() +
                                            "; choose a folder that exists and has room"};
  } catch (const fs::filesystem_error& e) {
    fs::remove(part, trouble);
    return Error{Code::unwritable_file, "cannot write '" + path + "': " + e.code().message()};
  }
}

}  // namespace panecard::library
