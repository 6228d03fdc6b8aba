// Finding panes by words and by shape.
#include <algorithm>

#include "library/index.h"
#include "library/pack.h"
#include "library/records.h"
#include "library/texts.h"

namespace panecard::library {
namespace {

constexpr std::size_t kMostWords = 12, kMostBytes = 2000;

int allowed_errors(const std::string& word) {
  constexpr std::size_t kShort = 4, kLong = 7;
  const bool number =
      std::all_of(word.begin(), word.end(), [](char c) { return c >= '0' && c <= '9'; });
  return number || word.size() < kShort ? 0 : word.size() < kLong ? 1 : 2;
}

/// FTS5's phrase syntax; our words hold neither quotes nor blanks.
std::string starting_with(const std::string& word) { return "\"" + word + "\"*"; }

/// The word itself, and the words of the library that it may have been meant to be.
std::string with_typing_errors(const std::string& word, const std::vector<std::string>& known) {
  constexpr std::size_t kMostAlternatives = 40;
  const int most = allowed_errors(word);
  std::vector<std::pair<int, const std::string*>> meant;
  for (const std::string& other : known) {
    const int errors = most > 0 ? typing_errors_in_start(word, other, most) : 1;
    if (errors <= most) meant.emplace_back(errors, &other);
  }
  std::sort(meant.begin(), meant.end(), [](const auto& a, const auto& b) {
    return a.first != b.first ? a.first < b.first : *a.second < *b.second;
  });
  meant.resize(std::min(meant.size(), kMostAlternatives));
  std::string out = "(" + starting_with(word);
  for (const auto& other : meant) out += " OR \"" + *other.second + "\"";
  return out + ")";
}

struct Match {
  std::int64_t pane = 0;
  int penalty = 0;
};

/// How far a pane's words are from what was asked: 0 the word itself, 1 its start, 3 per error.
int penalty(const std::vector<std::string>& asked, const std::vector<std::string>& has) {
  constexpr int kError = 3;
  int sum = 0;
  for (const std::string& word : asked) {
    const int most = allowed_errors(word);
    int least = kError * (most + 1);
    for (const std::string& other : has) {
      if (other == word) {
        least = 0;
        break;
      }
      if (other.starts_with(word)) least = std::min(least, 1);
      if (most > 0) {
        least = std::min(least, kError * typing_errors(word, other, most));
        least = std::min(least, 1 + kError * typing_errors_in_start(word, other, most));
      }
    }
    sum += least;
  }
  return sum;
}

std::vector<Match> matches(SQLite::Database& db, const std::string& expression,
                           const std::vector<std::string>& asked) {
  constexpr int kMostRead = 400;
  std::vector<Match> out;
  SQLite::Statement query(db,
                          "SELECT rowid, words FROM pane_words WHERE pane_words MATCH ? LIMIT " +
                              std::to_string(kMostRead));
  query.bind(1, expression);
  while (query.executeStep()) {
    out.push_back(
        {query.getColumn(0).getInt64(), penalty(asked, words_of(query.getColumn(1).getString()))});
  }
  std::stable_sort(out.begin(), out.end(), [](const Match& a, const Match& b) {
    return a.penalty != b.penalty ? a.penalty < b.penalty : a.pane < b.pane;
  });
  return out;
}

std::vector<std::string> known_words(SQLite::Database& db) {
  std::vector<std::string> out;
  SQLite::Statement query(db, "SELECT word FROM word");
  while (query.executeStep()) out.push_back(query.getColumn(0).getString());
  return out;
}

PaneLine line_of(SQLite::Database& db, std::int64_t pane) {
  SQLite::Statement query(db,
                          "SELECT v.make, v.model, v.years, v.body, v.notes, n.window, n.side, "
                          "n.notes FROM pane AS p JOIN vehicle_now AS v ON v.vehicle = p.vehicle "
                          "JOIN pane_now AS n ON n.pane = p.id WHERE p.id = ?");
  query.bind(1, pane);
  PaneLine line;
  line.pane = pane;
  if (!query.executeStep()) return line;
  const auto text = [&](int i) { return query.getColumn(i).getString(); };
  line.vehicle = {text(0), text(1), text(2), text(3), text(4)};
  constexpr int kWindow = 5;
  line.about = {text(kWindow), text(kWindow + 1), text(kWindow + 2)};
  return line;
}

std::string all_of(const std::vector<std::string>& parts) {
  std::string out;
  for (const std::string& part : parts) out += (out.empty() ? "" : " AND ") + part;
  return out;
}

std::vector<Match> found_by_words(SQLite::Database& db, const std::vector<std::string>& asked,
                                  std::size_t most) {
  std::vector<std::string> parts;
  parts.reserve(asked.size());
  for (const std::string& word : asked) parts.push_back(starting_with(word));
  std::vector<Match> found = matches(db, all_of(parts), asked);
  if (found.size() >= most) return found;
  const std::vector<std::string> known = known_words(db);
  parts.clear();
  for (const std::string& word : asked) parts.push_back(with_typing_errors(word, known));
  return matches(db, all_of(parts), asked);
}

}  // namespace

/// All shapes of the library, read once and again after a change.
struct ShapeIndex {
  std::int64_t version = -1, changes = -1;
  std::vector<std::int64_t> panes;
  std::vector<fusion::Moments> shapes;
};

const ShapeIndex& Store::shapes() {
  const std::int64_t version = db_.execAndGet("PRAGMA data_version").getInt64();
  const std::int64_t changes = db_.getTotalChanges();
  if (shapes_ && shapes_->version == version && shapes_->changes == changes) return *shapes_;
  auto index = std::make_shared<ShapeIndex>();
  index->version = version, index->changes = changes;
  SQLite::Statement query(db_, "SELECT pane, value FROM pane_shape");
  while (query.executeStep()) {
    const auto value = query.getColumn(1);
    const std::string_view bytes(static_cast<const char*>(value.getBlob()),
                                 static_cast<std::size_t>(value.getBytes()));
    index->panes.push_back(query.getColumn(0).getInt64());
    index->shapes.push_back(unpacked_moments(bytes));
  }
  shapes_ = std::move(index);
  return *shapes_;
}

Result<std::vector<PaneLine>> Library::find(const std::string& text, std::size_t most) const {
  if (auto why = refused("what is looked for", text, kMostBytes)) return *why;
  std::vector<std::string> asked = words_of(text);
  if (asked.size() > kMostWords) {
    return Error{Code::bad_usage, "more than " + std::to_string(kMostWords) + " words; use fewer"};
  }
  return store_->read([&]() -> Result<std::vector<PaneLine>> {
    SQLite::Database& db = store_->db();
    std::vector<PaneLine> out;
    if (asked.empty()) return out;
    for (const Match& match : found_by_words(db, asked, most)) {
      if (out.size() == most) break;
      out.push_back(line_of(db, match.pane));
    }
    return out;
  });
}

Result<std::vector<Alike>> Library::find_like(const check::Shape& shape, std::size_t most) const {
  if (shape.contour.points.size() < 3 || !(signed_area_mm2(shape.contour.points) > 1)) {
    return Error{Code::degenerate_shape, "what is looked for has no area; measure it again"};
  }
  const fusion::Query asked(shape);
  return store_->read([&]() -> Result<std::vector<Alike>> {
    SQLite::Database& db = store_->db();
    const ShapeIndex& index = store_->shapes();
    constexpr std::size_t kSpare = 6;  // laid on each other in full before the order is told
    std::vector<Alike> out;
    for (const auto& candidate : asked.candidates(index.shapes, most + kSpare)) {
      const std::int64_t pane = index.panes[candidate.at];
      const auto state = pane_state(db, pane);
      const auto record =
          state && state->pattern ? pattern_record(db, *state->pattern) : std::nullopt;
      if (!record) continue;
      const auto other = unpack_outline_and_u95(*record);
      if (!other.ok()) return in_place(*store_, "pattern of pane", pane, other.error());
      Alike alike{asked.similarity_to(other.value(), candidate.rotation), {}};
      alike.line.pane = pane;
      out.push_back(std::move(alike));
    }
    std::stable_sort(out.begin(), out.end(),
                     [](const Alike& a, const Alike& b) { return a.gap_mm < b.gap_mm; });
    out.resize(std::min(out.size(), most));
    for (Alike& alike : out) alike.line = line_of(db, alike.line.pane);
    return out;
  });
}

}  // namespace panecard::library
