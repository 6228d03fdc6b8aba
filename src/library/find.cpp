// Finding panes by words and by shape.
#include <algorithm>
#include <cmath>
#include <numeric>

#include "library/index.h"
#include "library/moments.h"
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

/// Standard uncertainties that the largest of `places` independent differences stays below in 95 of
/// 100 cases (Sidak 1967).
double factor_for_all(double places) {
  const double beyond = 1 - std::pow(0.95, 1 / std::max(1.0, places));
  double low = 0, high = 10;
  for (int i = 0; i < 60; ++i) {
    const double middle = (low + high) / 2;
    (std::erfc(middle / std::sqrt(2.0)) > beyond ? low : high) = middle;
  }
  return high;
}

PolygonMm mirrored(const PolygonMm& outline) {
  PolygonMm out(outline.rbegin(), outline.rend());
  for (PointMm& p : out) p.x = -p.x;
  return out;
}

/// The question, and what of it every candidate needs.
struct Asked {
  const check::Shape& shape;
  PolygonMm points, flipped;   ///< evenly spaced, few
  std::vector<double> u95_mm;  ///< of points; of flipped read backwards
  Moments moments;
  std::array<float, kMoments> noise;
};

Asked asked_for(const check::Shape& shape) {
  constexpr double kPoints = 160;
  const PolygonMm& outline = shape.contour.points;
  const PolygonMm points = resample(outline, perimeter_mm(outline) / kPoints);
  Asked out{shape, points, mirrored(points), {}, moments_of(outline), noise_of(outline)};
  for (const PointMm p : points) {
    std::size_t nearest = 0;
    for (std::size_t i = 1; i < outline.size(); ++i) {
      if (distance(outline[i], p) < distance(outline[nearest], p)) nearest = i;
    }
    out.u95_mm.push_back(shape.u95_mm.empty() ? 0 : shape.u95_mm[nearest]);
  }
  return out;
}

/// Lays the question on a candidate from the turn that the moments give.
Alike laid_on(const Asked& asked, const Turn& turn, const check::Shape& other) {
  const PolygonMm& on = other.contour.points;
  const PolygonMm& points = turn.mirrored ? asked.flipped : asked.points;
  check::Motion start{turn.rad, {}};
  start.shift = centroid(on) - start.turned(centroid(points));
  const check::Motion motion = check::lay_on(points, on, start);
  PolygonMm laid;
  laid.reserve(points.size());
  for (const PointMm p : points) laid.push_back(motion(p));
  Alike out;
  out.mirrored = turn.mirrored;
  double worst = 0;
  const std::vector<check::Gap> gaps = check::gaps_to(on, laid);
  for (std::size_t i = 0; i < gaps.size(); ++i) {
    const double mine = asked.u95_mm[turn.mirrored ? gaps.size() - 1 - i : i];
    const double u95 = std::hypot(mine, other.u95_mm[gaps[i].before]);
    const double gap = std::abs(gaps[i].mm);
    out.rms_mm += gap * gap / static_cast<double>(gaps.size());
    worst = std::max(worst, gap / std::max(u95, 1e-6));
    if (gap > out.gap_mm) out.gap_mm = gap, out.gap_u95_mm = u95;
  }
  out.rms_mm = std::sqrt(out.rms_mm);
  const double alike_mm = std::max(1.0, asked.shape.contour.correlation_mm);
  const double places = perimeter_mm(points) / alike_mm;
  out.within_u95 = 2 * worst <= factor_for_all(places);
  return out;
}

struct Candidate {
  std::size_t at = 0;
  Turn turn;
};

/// The shapes most like the question: by sizes of moments among all, by moments among the best.
std::vector<Candidate> candidates(const Asked& asked, const std::vector<Moments>& shapes,
                                  std::size_t most) {
  constexpr std::size_t kByTurn = 400;
  std::vector<std::pair<float, std::size_t>> order(shapes.size());
  for (std::size_t i = 0; i < shapes.size(); ++i) {
    order[i] = {apart_whatever_turn(asked.moments, shapes[i], asked.noise), i};
  }
  const auto end = order.begin() + static_cast<std::ptrdiff_t>(std::min(kByTurn, order.size()));
  std::partial_sort(order.begin(), end, order.end());
  std::vector<Candidate> out;
  for (auto it = order.begin(); it != end; ++it) {
    out.push_back({it->second, best_turn(asked.moments, shapes[it->second], asked.noise)});
  }
  std::stable_sort(out.begin(), out.end(), [](const Candidate& a, const Candidate& b) {
    return a.turn.apart_mm < b.turn.apart_mm;
  });
  out.resize(std::min(out.size(), most));
  return out;
}

}  // namespace

/// All shapes of the library, read once and again after a change.
struct ShapeIndex {
  std::int64_t version = -1, changes = -1;
  std::vector<std::int64_t> panes;
  std::vector<Moments> shapes;
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
  const Asked asked = asked_for(shape);
  return store_->read([&]() -> Result<std::vector<Alike>> {
    SQLite::Database& db = store_->db();
    const ShapeIndex& index = store_->shapes();
    constexpr std::size_t kSpare = 6;  // laid on each other in full before the order is told
    std::vector<Alike> out;
    for (const Candidate& candidate : candidates(asked, index.shapes, most + kSpare)) {
      const std::int64_t pane = index.panes[candidate.at];
      const auto state = pane_state(db, pane);
      const auto record =
          state && state->pattern ? pattern_record(db, *state->pattern) : std::nullopt;
      if (!record) continue;
      const auto other = unpack_outline_and_u95(*record);
      if (!other.ok()) return other.error();
      Alike alike = laid_on(asked, candidate.turn, other.value());
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
