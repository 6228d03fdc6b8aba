// What the user says about photos, as text: options of commands, columns of a table, fields of the
// page. Here it becomes what the room measure takes.
#pragma once

#include <string>
#include <vector>

#include "base/base.h"
#include "measure/measure.h"

namespace CLI {
class App;
}

namespace panecard::app {

struct PhotoOptions {
  std::string boundary = "glass", lens, plain;
  std::vector<std::string> near;
  std::string bow, radius, bow_axis = "level";
  std::string glass_thickness, card_thickness, seen_from = "outside";
  double printed_bar_mm = measure::kCheckBar_mm;
};

/// Adds all of them but the photos themselves.
void add_photo_options(CLI::App& command, PhotoOptions& options);

/// Lens profiles are looked up where `data_places` says.
/// @retval bad_usage  with the option
/// @retval unreadable_file  the lens profile
Result<measure::Options> parse(const PhotoOptions& options);

}  // namespace panecard::app
