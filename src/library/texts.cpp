#include "library/texts.h"

#include <algorithm>
#include <array>
#include <cstdint>

namespace panecard::library {
namespace {

constexpr std::uint32_t kNone = 0xFFFFFFFFU;

/// The next character, or kNone when what stands there is no UTF-8 (Unicode 15, table 3-7).
std::uint32_t next_character(std::string_view text, std::size_t& at) {
  const auto byte = [&](std::size_t i) {
    return i < text.size() ? static_cast<std::uint8_t>(text[i]) : std::uint8_t{0};
  };
  const std::uint8_t first = byte(at);
  std::size_t more = 0;
  std::uint32_t value = first;
  if (first >= 0xC2 && first <= 0xDF) more = 1, value = first & 0x1FU;
  if (first >= 0xE0 && first <= 0xEF) more = 2, value = first & 0x0FU;
  if (first >= 0xF0 && first <= 0xF4) more = 3, value = first & 0x07U;
  if (first >= 0x80 && more == 0) return kNone;
  for (std::size_t k = 1; k <= more; ++k) {
    if ((byte(at + k) & 0xC0U) != 0x80U) return kNone;
    value = value << 6U | (byte(at + k) & 0x3FU);
  }
  constexpr std::uint32_t kTwo = 0x800, kThree = 0x10000, kMost = 0x10FFFF;
  if ((more == 2 && value < kTwo) || (more == 3 && value < kThree) || value > kMost) return kNone;
  if (value >= 0xD800 && value <= 0xDFFF) return kNone;
  at += 1 + more;
  return value;
}

/// Base letters of U+00C0 to U+017F (Unicode's decompositions; the few letters without one by
/// custom).
constexpr std::string_view kLatin =
    "AAAAAAACEEEEIIIIDNOOOOO*OUUUUYTsaaaaaaaceeeeiiiidnooooo/ouuuuyty"
    "AaAaAaCcCcCcCcDdDdEeEeEeEeEeGgGgGgGgHhHhIiIiIiIiIiIiJjKkkLlLlLlL"
    "lLlNnNnNnnNnOoOoOoOoRrRrRrSsSsSsSsTtTtTtUuUuUuUuUuUuWwYyYZzZzZzs";

void put(std::uint32_t c, std::string& out) {
  if (c < 0x80) {
    out.push_back(static_cast<char>(c));
  } else if (c < 0x800) {
    out += {static_cast<char>(0xC0U | c >> 6U), static_cast<char>(0x80U | (c & 0x3FU))};
  } else if (c < 0x10000) {
    out += {static_cast<char>(0xE0U | c >> 12U), static_cast<char>(0x80U | (c >> 6U & 0x3FU)),
            static_cast<char>(0x80U | (c & 0x3FU))};
  } else {
    out += {static_cast<char>(0xF0U | c >> 18U), static_cast<char>(0x80U | (c >> 12U & 0x3FU)),
            static_cast<char>(0x80U | (c >> 6U & 0x3FU)), static_cast<char>(0x80U | (c & 0x3FU))};
  }
}

/// Lower case, no accent; kNone for what parts words, 0 for what is no letter of its own.
std::uint32_t folded(std::uint32_t c) {
  if (c >= 0x300 && c <= 0x36F) return 0;  // combining accents
  if (c >= 0xC0 && c < 0xC0 + kLatin.size() && c != 0xD7 && c != 0xF7) {
    c = static_cast<unsigned char>(kLatin[c - 0xC0]);
  }
  if (c >= 'A' && c <= 'Z') return c + ('a' - 'A');
  if (c >= 0x391 && c <= 0x3A9) return c + 0x20;  // Greek
  if (c >= 0x410 && c <= 0x42F) return c + 0x20;  // Cyrillic
  if (c >= 0x400 && c <= 0x40F) return c + 0x50;
  const bool letter = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c > 0xBF;
  const bool parts = c == 0xD7 || c == 0xF7 || (c >= 0x2000 && c <= 0x206F) || c == 0x3000;
  return letter && !parts ? c : kNone;
}

std::optional<int> year_of(std::string_view word) {
  constexpr std::size_t kDigits = 4;
  if (word.size() != kDigits) return std::nullopt;
  int year = 0;
  for (const char c : word) {
    if (c < '0' || c > '9') return std::nullopt;
    year = 10 * year + (c - '0');
  }
  return year >= 1900 && year <= 2100 ? std::optional<int>(year) : std::nullopt;
}

bool is_dash(std::string_view between) {
  while (!between.empty() && between.front() == ' ') between.remove_prefix(1);
  while (!between.empty() && between.back() == ' ') between.remove_suffix(1);
  return between == "-" || between == "\xE2\x80\x93" || between == "\xE2\x80\x94" ||
         between == "/" || between == "to";
}

int least_errors(std::string_view from, std::string_view to, int most, bool start_only) {
  constexpr std::size_t kLongest = 40;
  if (from.size() > kLongest) return most + 1;
  if (start_only) to = to.substr(0, from.size() + static_cast<std::size_t>(most));
  const std::size_t m = from.size(), n = to.size();
  if (n > kLongest || n + static_cast<std::size_t>(most) < m) return most + 1;
  if (!start_only && m + static_cast<std::size_t>(most) < n) return most + 1;
  std::array<std::array<int, kLongest + 1>, 3> rows{};
  for (std::size_t j = 0; j <= n; ++j) rows[0][j] = static_cast<int>(j);
  for (std::size_t i = 1; i <= m; ++i) {
    auto &row = rows[i % 3], &up = rows[(i + 2) % 3], &above = rows[(i + 1) % 3];
    row[0] = static_cast<int>(i);
    int least = row[0];
    for (std::size_t j = 1; j <= n; ++j) {
      const int change = from[i - 1] == to[j - 1] ? 0 : 1;
      row[j] = std::min({up[j] + 1, row[j - 1] + 1, up[j - 1] + change});
      const bool swapped = i > 1 && j > 1 && from[i - 1] == to[j - 2] && from[i - 2] == to[j - 1];
      if (swapped) row[j] = std::min(row[j], above[j - 2] + 1);
      least = std::min(least, row[j]);
    }
    if (least > most) return most + 1;
  }
  const auto& last = rows[m % 3];
  int best = last[n];
  if (start_only) {
    for (std::size_t j = 0; j <= n; ++j) best = std::min(best, last[j]);
  }
  return std::min(best, most + 1);
}

}  // namespace

std::optional<Error> refused(const std::string& what, const std::string& text, std::size_t most) {
  if (text.size() > most) {
    return Error{Code::bad_usage,
                 what + " is longer than " + std::to_string(most) + " bytes; shorten it"};
  }
  for (std::size_t at = 0; at < text.size();) {
    const std::uint32_t c = next_character(text, at);
    if (c == kNone || c == 0) {
      return Error{Code::bad_usage, what + " is not UTF-8 text; type it again"};
    }
  }
  return std::nullopt;
}

std::vector<std::string> words_of(std::string_view text) {
  std::vector<std::string> out;
  std::optional<int> first_year;
  std::size_t between = 0;  // where the last word ended
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t start = at;
    std::string word;
    std::size_t end = at;
    while (at < text.size()) {
      const std::uint32_t c = next_character(text, at);
      if (c == kNone && at == end) ++at;  // a stray byte parts words
      const std::uint32_t lower = c == kNone ? kNone : folded(c);
      if (lower == kNone) break;
      if (lower != 0) put(lower, word);
      end = at;
    }
    if (word.empty()) continue;
    const std::optional<int> year = year_of(word);
    constexpr int kLongestSpan = 60;
    if (first_year && year && is_dash(text.substr(between, start - between)) &&
        *year - *first_year <= kLongestSpan) {
      for (int y = *first_year + 1; y < *year; ++y) out.push_back(std::to_string(y));
    }
    out.push_back(std::move(word));
    first_year = year;
    between = end;
  }
  return out;
}

int typing_errors(std::string_view from, std::string_view to, int most) {
  return least_errors(from, to, most, false);
}

int typing_errors_in_start(std::string_view from, std::string_view to, int most) {
  return least_errors(from, to, most, true);
}

}  // namespace panecard::library
