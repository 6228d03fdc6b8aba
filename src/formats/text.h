// Words and numbers as every output says them. Names come from strangers' files: they are made
// harmless here, once.
#pragma once

#include <functional>
#include <string>
#include <string_view>
#include <vector>

#include "formats/formats.h"

namespace panecard::formats {

/// Valid UTF-8 on one line, without control, line-separating or direction-changing characters, cut
/// to `most` characters with an ellipsis.
std::string clean(std::string_view text, std::size_t most);

/// `clean` text with the five characters that XML reserves escaped.
std::string xml(std::string_view text);

/// Printable ASCII on one line; anything else is a question mark. For DXF R12.
std::string ascii(std::string_view text, std::size_t most);

std::string base64(std::string_view bytes);  ///< RFC 4648, section 4

std::size_t count_characters(std::string_view utf8);
std::string pad_left(const std::string& s, std::size_t width);
std::string pad_right(const std::string& s, std::size_t width);

/// Fixed number of decimals, locale-free; "?" for what no pane can measure.
std::string fixed(double value, int decimals);

/// A value rounded where its uncertainty says so: two significant digits of u95 (JCGM 100, 7.2.6).
struct Said {
  std::string value, u95;
  std::string both() const { return value + " \u00b1 " + u95; }
};
Said say(const outline::Dimension& d, int most_decimals);
Said say_length(const outline::Dimension& mm, Units units);
Said say_area(const outline::Dimension& mm2, Units units);  ///< m^2 or square feet

/// How an arc of an edge bends: by its radius; where that is not known to a quarter, and 1 /
/// curvature no longer behaves (JCGM 101, 7), by its sagitta; as straight where even that may be
/// nothing.
std::string say_bend(const outline::Piece& arc, Units units, const std::string& radius_word);

std::string length_unit(Units units);
std::string area_unit(Units units);

/// "edge of the visible glass" for "glass", and so on.
std::string boundary_words(const std::string& boundary);

/// "edge 12" -> "12": what a label on a drawing has room for.
std::string short_name(const std::string& name);

/// Breaks at spaces into lines that fit; a word longer than a line is broken where it must be.
std::vector<std::string> wrap(const std::string& text, std::size_t most_lines,
                              const std::function<bool(const std::string&)>& fits);

}  // namespace panecard::formats
