// A measurement as the page draws it.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include "model/model.h"

namespace panecard::app::page {

nlohmann::json view_json(const model::Measurement& m);

}  // namespace panecard::app::page
