#include "library/index.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <set>

#include "library/pack.h"
#include "library/records.h"
#include "library/texts.h"

namespace panecard::library {
namespace {

void put(float value, std::string& out) {
  const auto bits = std::bit_cast<std::uint32_t>(value);
  for (const unsigned shift : {0U, 8U, 16U, 24U}) {
    out.push_back(static_cast<char>(static_cast<unsigned char>(bits >> shift)));
  }
}

float take(std::string_view bytes, std::size_t number) {
  std::uint32_t bits = 0;
  for (std::size_t k = 4; k-- > 0;) {
    bits = bits << 8U | static_cast<unsigned char>(bytes[4 * number + k]);
  }
  return std::bit_cast<float>(bits);
}

/// Each word once, in the order of the alphabet.
std::set<std::string> words_of_pane(SQLite::Database& db, std::int64_t pane) {
  SQLite::Statement query(db, "SELECT vehicle FROM pane WHERE id = ?");
  query.bind(1, pane);
  if (!query.executeStep()) return {};
  const auto v = vehicle_state(db, query.getColumn(0).getInt64());
  const auto p = pane_state(db, pane);
  std::set<std::string> out;
  if (!v || !p) return out;
  for (const std::string* text : {&v->make, &v->model, &v->years, &v->body, &v->notes,
                                  &p->about.window, &p->about.side, &p->about.notes}) {
    for (std::string& word : words_of(*text)) out.insert(std::move(word));
  }
  return out;
}

std::string joined(const std::set<std::string>& words) {
  std::string out;
  for (const std::string& word : words) out += (out.empty() ? "" : " ") + word;
  return out;
}

/// Of the pattern in force; empty without one or when it cannot be read.
std::string shape_of_pane(SQLite::Database& db, std::int64_t pane) {
  const auto state = pane_state(db, pane);
  if (!state || !state->pattern) return {};
  const auto record = pattern_record(db, *state->pattern);
  if (!record) return {};
  const auto outline = unpack_outline(*record);
  return outline.ok() && outline->size() > 2 ? packed(fusion::moments_of(outline.value()))
                                             : std::string();
}

std::vector<std::int64_t> numbers(SQLite::Statement& query) {
  std::vector<std::int64_t> out;
  while (query.executeStep()) out.push_back(query.getColumn(0).getInt64());
  return out;
}

}  // namespace

std::string packed(const fusion::Moments& moments) {
  std::string out;
  put(moments.radius_mm, out);
  for (const auto& c : moments.c) put(c.real(), out), put(c.imag(), out);
  return out;
}

fusion::Moments unpacked_moments(std::string_view bytes) {
  fusion::Moments out;
  constexpr std::size_t kBytes = 4 * (1 + 2 * fusion::kMoments);
  if (bytes.size() != kBytes) return out;
  out.radius_mm = take(bytes, 0);
  for (std::size_t m = 0; m < fusion::kMoments; ++m)
    out.c[m] = {take(bytes, 1 + 2 * m), take(bytes, 2 + 2 * m)};
  const bool finite =
      std::isfinite(out.radius_mm) && std::all_of(out.c.begin(), out.c.end(), [](const auto& c) {
        return std::isfinite(c.real()) && std::isfinite(c.imag());
      });
  return finite ? out : fusion::Moments{};  // what is no number has no place in an order
}

void index_pane(SQLite::Database& db, std::int64_t pane) {
  const std::set<std::string> words = words_of_pane(db, pane);
  SQLite::Statement forget(db, "DELETE FROM pane_words WHERE rowid = ?");
  forget.bind(1, pane);
  forget.exec();
  SQLite::Statement insert(db, "INSERT INTO pane_words(rowid, words) VALUES(?, ?)");
  SQLite::bind(insert, pane, joined(words));
  insert.exec();
  SQLite::Statement word(db, "INSERT OR IGNORE INTO word VALUES(?)");
  for (const std::string& w : words) {
    word.bind(1, w);
    word.exec();
    word.reset();
  }
  const std::string shape = shape_of_pane(db, pane);
  SQLite::Statement signature(db, shape.empty() ? "DELETE FROM pane_shape WHERE pane = ?"
                                                : "INSERT OR REPLACE INTO pane_shape VALUES(?, ?)");
  signature.bind(1, pane);
  if (!shape.empty()) {
    signature.bind(2, static_cast<const void*>(shape.data()), static_cast<int>(shape.size()));
  }
  signature.exec();
}

void index_vehicle(SQLite::Database& db, std::int64_t vehicle) {
  SQLite::Statement panes(db, "SELECT id FROM pane WHERE vehicle = ? ORDER BY id");
  panes.bind(1, vehicle);
  for (const std::int64_t pane : numbers(panes)) index_pane(db, pane);
}

void index_all(SQLite::Database& db) {
  SQLite::Statement panes(db, "SELECT id FROM pane ORDER BY id");
  for (const std::int64_t pane : numbers(panes)) index_pane(db, pane);
}

std::optional<std::string> index_trouble(SQLite::Database& db, std::int64_t pane) {
  SQLite::Statement words(db, "SELECT words FROM pane_words WHERE rowid = ?");
  words.bind(1, pane);
  if (!words.executeStep() || words.getColumn(0).getString() != joined(words_of_pane(db, pane))) {
    return "is not found by its words";
  }
  SQLite::Statement shape(db, "SELECT value FROM pane_shape WHERE pane = ?");
  shape.bind(1, pane);
  const std::string stored = shape.executeStep() ? blob(shape.getColumn(0)) : std::string();
  if (stored != shape_of_pane(db, pane)) return "is not found by its shape";
  return std::nullopt;
}

}  // namespace panecard::library
