// Lengths as people type them.
#pragma once

#include <optional>
#include <string_view>

namespace panecard::app {

/// "12", "12mm", "1.2cm", "0.5in" in millimetres; nullopt for anything else.
std::optional<double> mm_from_text(std::string_view text);

}  // namespace panecard::app
