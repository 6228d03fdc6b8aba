// A measurement as the page draws it.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include "formats/formats.h"

namespace panecard::app::page {

nlohmann::json view_json(const formats::Measurement& m);

}  // namespace panecard::app::page
