// The lengths of an outline as a budget lists them.
#pragma once

#include <string>
#include <vector>

#include "outline/outline.h"

namespace panecard::formats {

struct NamedLength {
  std::string name;
  outline::Dimension length_mm;
};

/// Both sides of the box, the diagonals, every edge.
std::vector<NamedLength> named_lengths(const outline::Outline& o);

}  // namespace panecard::formats
