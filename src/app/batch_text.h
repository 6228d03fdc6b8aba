// What a batch says, for a person and for a machine.
#pragma once

#include <string>
#include <vector>

#include "app/batch_list.h"
#include "app/batch_run.h"
#include "base/base.h"

namespace panecard::app {

/// "Norden Kuma 2019, front door left"; where it has no name, the name of its photo.
std::string name_of(const ListedPane& pane);
std::string state_words(PhotoState state);
/// A message that begins with the file it is about, without it.
std::string without_path(const std::string& message, const std::string& path);

struct BatchCounts {
  std::size_t panes = 0, photos = 0, measured = 0, there_already = 0, duplicates = 0, failed = 0;
  std::size_t not_listed = 0;
};
BatchCounts counts_of(const BatchList& list, const std::vector<PaneOutcome>& outcomes);
std::vector<std::string> counts_words(const BatchCounts& counts);

/// Why the pane has to be photographed again: nothing of it is in the library. Empty: it is.
std::string why_again(const ListedPane& pane, const PaneOutcome& outcome);
/// What another photo would better, or an eye on the overlay. Empty: nothing.
std::string why_look(const PaneOutcome& outcome);

std::string batch_text(const BatchList& list, const std::vector<PaneOutcome>& outcomes);
std::string batch_json(const BatchList& list, const std::vector<PaneOutcome>& outcomes,
                       const library::Stamp& stamp);

}  // namespace panecard::app
