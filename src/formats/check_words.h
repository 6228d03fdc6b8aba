// Sentences that the table, the drawing and the result of a check share.
#pragma once

#include <string>

#include "check/check.h"
#include "formats/formats.h"

namespace panecard::formats {

/// "add a card at the far end of the pane", or to measure by hand where no photo helps.
std::string what_would_help(const check::Value& value);

std::string say_blank(const check::Blank& blank, Units u);

}  // namespace panecard::formats
