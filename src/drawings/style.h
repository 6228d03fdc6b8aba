// The one look of every output: quiet greys and a single accent.
//
// The accent is an orange: it differs from the greys along blue-yellow, which the common colour
// vision deficiencies keep, and it prints as a mid grey between the ink and the paper.
#pragma once

#include "drawings/sheet.h"

namespace panecard::drawings::style {

inline constexpr Colour kInk{0x1f, 0x26, 0x2d};
inline constexpr Colour kQuiet{0x66, 0x70, 0x7a};
inline constexpr Colour kRule{0xc4, 0xcb, 0xd1};
inline constexpr Colour kRulePale{0xee, 0xf0, 0xf2};
inline constexpr Colour kPaper{0xff, 0xff, 0xff};
inline constexpr Colour kAccent{0xe0, 0x54, 0x0b};
inline constexpr Colour kAccentPale{0xfb, 0xe2, 0xd2};

inline constexpr const char* kFont = "DejaVu Sans";

}  // namespace panecard::drawings::style
