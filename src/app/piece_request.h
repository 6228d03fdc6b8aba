// What `piece` is asked for, as words, turned into what the pattern room understands.
#pragma once

#include <string>
#include <vector>

#include "base/base.h"
#include "pattern/pattern.h"

namespace panecard::app {

struct PieceWords {
  std::vector<std::string> allow, cover, round, relief;  ///< "bottom=12mm", "bottom", "3mm"
  std::string oversize, inside_dots, over_dots;          ///< lengths; empty: not asked for
  std::string set, sets_file;
};

struct PieceWish {
  pattern::Request request;
  std::string set_title, set_note;  ///< empty: no ready-made set
};

/// The shop's own list of ready-made sets, or the one that came with the program.
Result<std::vector<pattern::AllowanceSet>> allowance_sets(const std::string& file);
std::string list_of_sets(const std::vector<pattern::AllowanceSet>& sets);

/// A ready-made set first; what is said besides goes before it.
/// @param boundary  of the measured outline
Result<PieceWish> piece_wish(const PieceWords& words, const std::string& boundary);

}  // namespace panecard::app
