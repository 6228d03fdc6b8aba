#pragma once

#include <string>
#include <string_view>

namespace panecard::drawings {

std::string base64(std::string_view bytes);  ///< RFC 4648, section 4

}  // namespace panecard::drawings
