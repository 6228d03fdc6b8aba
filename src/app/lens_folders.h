// Where lens profiles are looked for.
#pragma once

#include <string>
#include <vector>

namespace panecard::app {

/// The user's own folder first, so that a calibration of one's own phone beats a shipped one; then
/// beside the program, then where it was built.
std::vector<std::string> lens_folders();

}  // namespace panecard::app
