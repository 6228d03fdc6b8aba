#include <algorithm>
#include <charconv>
#include <cmath>
#include <cstdint>

#include "base/base.h"

namespace panecard {
namespace {

struct Character {
  std::uint32_t code;
  std::size_t bytes;
  bool valid;
};

// Strict decoding (Unicode 15, table 3-7): overlong forms and surrogates count as damage.
Character decode(std::string_view text) {
  const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(text[i]); };
  const unsigned lead = byte(0);
  if (lead < 0x80) return {lead, 1, true};
  const std::size_t length = lead >= 0xf0 ? 4 : lead >= 0xe0 ? 3 : 2;
  if (lead < 0xc2 || lead > 0xf4 || text.size() < length) return {0xfffd, 1, false};
  std::uint32_t code = lead & (0x7fU >> length);
  for (std::size_t i = 1; i < length; ++i) {
    if ((byte(i) & 0xc0U) != 0x80U) return {0xfffd, 1, false};
    code = (code << 6U) | (byte(i) & 0x3fU);
  }
  constexpr std::uint32_t kLeast[] = {0, 0, 0x80, 0x800, 0x10000};
  if (code < kLeast[length] || code > 0x10ffff || (code >= 0xd800 && code <= 0xdfff)) {
    return {0xfffd, 1, false};
  }
  return {code, length, true};
}

bool breaks_a_line(std::uint32_t code) {
  return code < 0x20 || (code >= 0x7f && code <= 0x9f) || code == 0x2028 || code == 0x2029;
}

bool unfit_to_print(std::uint32_t code) {
  return (code >= 0x200b && code <= 0x200f) || (code >= 0x202a && code <= 0x202e) ||
         (code >= 0x2066 && code <= 0x2069) || code == 0xfeff || (code & 0xfffeU) == 0xfffe;
}

}  // namespace

std::string clean(std::string_view text, std::size_t most) {
  std::string out;
  std::size_t count = 0;
  std::size_t before_last = 0;
  while (!text.empty()) {
    const Character c = decode(text);
    if (count == most) {
      out.resize(before_last);
      return out + "\u2026";
    }
    before_last = out.size();
    if (!c.valid || unfit_to_print(c.code)) {
      out += "\ufffd";
    } else if (breaks_a_line(c.code)) {
      out += ' ';
    } else {
      out += text.substr(0, c.bytes);
    }
    ++count;
    text.remove_prefix(c.bytes);
  }
  return out;
}

std::string xml(std::string_view text) {
  std::string out;
  for (const char c : text) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      case '\'':
        out += "&apos;";
        break;
      default:
        out += c;
    }
  }
  return out;
}

std::string ascii(std::string_view text, std::size_t most) {
  std::string out;
  while (!text.empty() && out.size() < most) {
    const Character c = decode(text);
    if (breaks_a_line(c.code)) {
      out += ' ';
    } else {
      out += c.code < 0x7f ? static_cast<char>(c.code) : '?';
    }
    text.remove_prefix(c.bytes);
  }
  return out;
}

std::size_t count_characters(std::string_view utf8) {
  return static_cast<std::size_t>(std::count_if(utf8.begin(), utf8.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xc0U) != 0x80U;
  }));
}

std::string pad_left(const std::string& s, std::size_t width) {
  const std::size_t n = count_characters(s);
  return std::string(width > n ? width - n : 0, ' ') + s;
}

std::string pad_right(const std::string& s, std::size_t width) {
  const std::size_t n = count_characters(s);
  return s + std::string(width > n ? width - n : 0, ' ');
}

std::string fixed(double value, int decimals) {
  if (!(std::abs(value) < 1e12)) return "?";
  char buffer[48];
  const auto end =
      std::to_chars(buffer, buffer + sizeof buffer, value, std::chars_format::fixed, decimals).ptr;
  const std::string text(buffer, end);
  const bool zero = text.find_first_of("123456789") == std::string::npos;
  return zero && text.front() == '-' ? text.substr(1) : text;
}

std::vector<std::string> wrap(const std::string& text, std::size_t most_lines,
                              const std::function<bool(const std::string&)>& fits) {
  std::vector<std::string> lines;
  std::string line;
  std::string word;
  const auto end_line = [&] {
    if (!line.empty()) lines.push_back(line);
    line.clear();
  };
  const auto end_word = [&] {
    if (word.empty()) return;
    if (!line.empty() && !fits(line + " " + word)) end_line();
    line += (line.empty() ? "" : " ") + word;
    word.clear();
  };
  for (std::size_t i = 0; i < text.size() && lines.size() <= most_lines;) {
    const std::size_t bytes = decode(std::string_view(text).substr(i)).bytes;
    const std::string character = text.substr(i, bytes);
    if (character == " ") {
      end_word();
    } else {
      if (!word.empty() && !fits(word + character)) end_word();
      word += character;
    }
    i += bytes;
  }
  end_word();
  end_line();
  if (lines.size() > most_lines) {
    lines.resize(most_lines);
    if (!lines.empty()) lines.back() = clean(lines.back(), count_characters(lines.back()) - 1);
  }
  return lines;
}

}  // namespace panecard
