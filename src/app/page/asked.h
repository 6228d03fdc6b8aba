// What a request says about a draft, checked: only what is known here goes further.
#pragma once

#include <nlohmann/json.hpp>

#include "base/base.h"

namespace panecard::app::page {

/// "options", "edits" and "trial" (the last correction is still being made) of a body, each field
/// of its kind and within bounds. @retval bad_usage
Result<nlohmann::json> checked_draft(const std::string& body);

}  // namespace panecard::app::page
