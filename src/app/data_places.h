// Where lens profiles and ready-made allowances are looked for.
#pragma once

#include <string>
#include <vector>

namespace panecard::app {

/// The user's own `name` first, so that a calibration of one's own phone or a shop's own list beats
/// a shipped one; then beside the program, then where it was built.
std::vector<std::string> data_places(const std::string& name);

}  // namespace panecard::app
