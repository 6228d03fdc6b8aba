// Names and notes from anywhere: checked before they are kept, folded before they are compared.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/base.h"

namespace panecard::library {

/// Why a text cannot be kept: not UTF-8 from end to end, a zero in it, or too long.
std::optional<Error> refused(const std::string& what, const std::string& text, std::size_t most);

/// Words in lower case without accents: "Türe 2019" -> "ture", "2019". Spans of years become their
/// years: "2017-2019" -> "2017", "2018", "2019".
std::vector<std::string> words_of(std::string_view text);

/// Insertions, deletions, changes and swaps of neighbours (Damerau 1964, in the restricted form)
/// from one word to the other; any more than `most` counts as most + 1.
int typing_errors(std::string_view from, std::string_view to, int most);

/// The same, to the start of `to` that is nearest.
int typing_errors_in_start(std::string_view from, std::string_view to, int most);

}  // namespace panecard::library
