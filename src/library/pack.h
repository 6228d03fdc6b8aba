// A kept measurement as few bytes. The first of them tell the version and a checksum.
#pragma once

#include <string>
#include <string_view>

#include "library/keep.h"

namespace panecard::library {

std::string pack(const Kept& kept);
/// @retval unreadable_file  damaged, of a newer program, or contradicting itself (validate.h)
Result<Kept> unpack(std::string_view bytes);
/// Only the outline: cheap enough for every candidate of a search.
Result<PolygonMm> unpack_outline(std::string_view bytes);
/// The outline and its plus-minus; the sources stay packed.
Result<check::Shape> unpack_outline_and_u95(std::string_view bytes);

/// Text as few bytes; words of result files cost next to nothing.
std::string deflated(std::string_view text);
/// @retval unreadable_file  damaged, or more than `most` bytes
Result<std::string> inflated(std::string_view bytes, std::size_t most);
/// A piece's file: a JSON object that can be parsed whole. @retval unreadable_file
Result<std::string> unpack_piece(std::string_view bytes);

}  // namespace panecard::library
