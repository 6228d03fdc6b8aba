// What findings say, where there is no command line.
#pragma once

#include <string>
#include <string_view>

namespace panecard::formats {

/// `clean` text that says what is meant instead of naming an option of the command line.
std::string on_paper(std::string_view text, std::size_t most);

}  // namespace panecard::formats
