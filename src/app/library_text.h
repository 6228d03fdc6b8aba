// What the library's commands say, for a person and for a machine.
#pragma once

#include <string>
#include <vector>

#include "base/base.h"
#include "library/library.h"

namespace panecard::app {

std::string name_of(const library::PaneLine& line);  ///< "Norden Kuma 2017-2022, front door left"

std::string list_text(const std::vector<library::PaneLine>& lines);
std::string list_json(const std::vector<library::PaneLine>& lines);
std::string alike_text(const std::vector<library::Alike>& found, Units units);
std::string alike_json(const std::vector<library::Alike>& found);
std::string pane_text(const library::PaneView& view, const check::Shape* shape, Units units);
std::string pane_json(const library::PaneView& view);
std::string history_text(const std::vector<library::Revision>& history);
std::string history_json(const std::vector<library::Revision>& history);
std::string combined_text(const library::Combined& combined, Units units);
std::string combined_json(const library::Combined& combined);
/// Empty: nothing is wrong.
std::string findings_text(const std::vector<Finding>& findings);

}  // namespace panecard::app
