#include "app/lengths.h"

#include <charconv>
#include <cmath>

namespace panecard::app {

std::optional<double> mm_from_text(std::string_view text) {
  double value = 0;
  const auto read = std::from_chars(text.data(), text.data() + text.size(), value);
  if (read.ec != std::errc() || !std::isfinite(value)) return std::nullopt;
  const std::string_view unit = text.substr(static_cast<std::size_t>(read.ptr - text.data()));
  if (unit.empty() || unit == "mm") return value;
  if (unit == "cm") return 10 * value;
  if (unit == "in") return 25.4 * value;
  return std::nullopt;
}

}  // namespace panecard::app
