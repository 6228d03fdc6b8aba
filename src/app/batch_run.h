// A list of photos into a library, on all cores, within a bound of memory.
//
// Photos are measured in processes of their own, in any order; what comes of them goes into the
// library in the order of the list, by this process alone. So the content does not depend on how
// many run at once, and a batch that was killed finds by the photos' SHA-256 what is done.
#pragma once

#include <cstdint>
#include <functional>
#include <string>
#include <vector>

#include "app/app.h"
#include "app/batch_list.h"
#include "drawings/drawings.h"
#include "library/library.h"

namespace panecard::app {

enum class PhotoState { waiting, measured, there_already, duplicate, failed };

struct PhotoOutcome {
  PhotoState state = PhotoState::waiting;
  std::string why;          ///< it failed, or which photo it is a duplicate of
  std::string sha256;       ///< empty: it could not be read
  bool told_again = false;  ///< it failed so before and was not tried anew
  std::int64_t measurement = 0;
};

struct PaneOutcome {
  std::int64_t pane = 0;     ///< in the library; 0: nothing of it is there
  bool together = false;     ///< its photos were measured as one
  std::string not_together;  ///< why they were not, though there were several
  std::vector<PhotoOutcome> photos;
  std::vector<Finding> doubts;
};

struct BatchSettings {
  int jobs = 1;
  std::size_t memory_mb = 600;  ///< of all processes
  double seconds = 60;          ///< of processor time, for each photo
  bool pictures = false;        ///< also of what is in the library already
  bool again = false;           ///< what failed before as well
  std::string program;          ///< its version: another one may measure what this one cannot
  library::Stamp stamp;
};

struct BatchProgress {
  std::size_t photos = 0, done = 0, measured = 0, failed = 0;
};

struct BatchCalls {
  /// Each pane once nothing more will come of it, in the order of the list.
  std::function<Outcome(std::size_t, const PaneOutcome&, const std::vector<drawings::BatchPane>&)>
      pane;
  std::function<void(const BatchProgress&)> progress;
};

/// @retval unwritable_file  the library cannot be written to; all before it is there
Result<std::vector<PaneOutcome>> run_batch(const BatchList& list, library::Library& library,
                                           const BatchSettings& settings, const BatchCalls& calls);

}  // namespace panecard::app
