// The page's own files, as they were built into the program.
#pragma once

#include <string>
#include <string_view>

namespace panecard::app::page {

struct Asset {
  std::string_view type, bytes;
};

/// @retval nullptr  there is none of this name
const Asset* asset(std::string_view name);

}  // namespace panecard::app::page
