// What a batch does with photos, each time in a process of its own.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "app/photo_options.h"
#include "base/base.h"
#include "drawings/drawings.h"
#include "library/library.h"

namespace panecard::app {

/// Photos of one pane, measured as one.
struct Measuring {
  PhotoOptions options;
  std::vector<std::string> paths;
  std::vector<library::Sha256> hashes;  ///< of the files, as many
  int threads = 1;
};

/// What comes back from that process.
struct Measured {
  std::optional<Error> error;
  std::string result_json;
  std::vector<std::string> copies;  ///< small ones of the photos, in their order
  drawings::BatchPane shown;        ///< sizes, verdict, doubts and picture
  std::vector<std::string> codes;   ///< of the doubts
};

std::string measure_for_batch(const Measuring& work);
/// A pane that is in the library: its sizes and its picture from the copies there, by their hash.
std::string redraw_for_batch(const std::string& result_json,
                             const std::map<std::string, std::string>& copies);

/// @retval unreadable_file  no answer of either
Result<Measured> measured_in(const std::string& answer);

}  // namespace panecard::app
