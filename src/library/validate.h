// Whether a kept measurement holds together. Libraries travel between shops, so the bytes of a
// record may say anything; what has passed here can be relied on.
#pragma once

#include <optional>
#include <string>

#include "library/keep.h"

namespace panecard::library {

/// How much of a record was unpacked.
enum class Part { outline, outline_and_u95, all };

/// What is wrong with it, as in "its stations do not rise"; nothing when it is sound.
std::optional<std::string> contradiction_in(const Kept& kept, Part part);

}  // namespace panecard::library
