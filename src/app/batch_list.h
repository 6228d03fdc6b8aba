// Which photos are of which pane: by the names of files and folders, or by a table.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "app/photo_options.h"
#include "base/base.h"
#include "library/library.h"

namespace panecard::app {

struct ListedPhoto {
  std::string name;  ///< within the folder
  std::string path;
  std::string trouble;  ///< why it cannot be measured; empty: nothing is known yet
};

struct ListedPane {
  library::Vehicle vehicle;
  library::Pane pane;
  PhotoOptions options;
  std::vector<ListedPhoto> photos;
};

struct BatchList {
  std::vector<ListedPane> panes;  ///< in the order in which they are first named
  std::size_t not_listed = 0;     ///< photos beside a manifest.csv that does not name them
};

/// @param table     a CSV file; empty: `manifest.csv` in the folder if there is one, else the names
/// @param defaults  what every pane is measured with, unless the table says otherwise
/// @retval bad_usage, unreadable_file, too_large
Result<BatchList> list_batch(const std::string& folder, const std::string& table,
                             const PhotoOptions& defaults);

}  // namespace panecard::app
