// What the writers of our JSON files share.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "records/records.h"

namespace panecard::records {

using Written = nlohmann::ordered_json;

double mm(double v);  ///< to 0.1 um
Written written(const std::vector<ArcVertex>& arcs);
Written written(const std::vector<Finding>& findings);

/// One field a line, one entry of a list a line, so that two files can be compared with ordinary
/// text tools.
std::string written_lines(const Written& object);

}  // namespace panecard::records
