// Pages for a browser: one file, no script, nothing fetched. Well-formed as XML, so that any XML
// reader can vouch for their escapes.
#pragma once

#include <string>
#include <vector>

#include "drawings/drawings.h"

namespace panecard::drawings {

/// All up to <body>, in the one look of our pages.
/// @param paper  of @page: "A4", "letter", "auto"
std::string html_start(const std::string& title, const std::string& paper);
std::string html_paragraph(const std::string& words, const char* kind = "");
std::string html_list(const std::vector<std::string>& items, const char* kind);
std::string html_figure(const std::string& inside, const std::string& caption = "");
std::string html_image(const JobPhoto& photo, const std::string& what);

}  // namespace panecard::drawings
