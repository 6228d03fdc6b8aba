// The photos that result files name, found and made ready for a sheet.
#pragma once

#include <string>
#include <vector>

#include "app/app.h"
#include "drawings/drawings.h"

namespace panecard::app {

/// Finds the photo of each pane by the name in its result file: among those given (files or
/// folders), then beside the result file. A pane without one says why.
/// @param paths  of the panes' result files, in the panes' order
/// @retval bad_usage        a photo given is that of no pane
/// @retval unreadable_file, too_large  a photo given cannot be read
Outcome add_photos(std::vector<drawings::JobPane>& panes, const std::vector<std::string>& paths,
                   const std::vector<std::string>& given, Units units);

}  // namespace panecard::app
