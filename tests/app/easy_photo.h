// Photos that are quick to measure: whether hard ones can be measured is for other tests to say.
#pragma once

#include <string>

namespace panecard::tests {

/// JPEG of a rendered pane with a sheet on it, 1344 px wide.
/// @param copy  the same picture as other bytes
std::string easy_photo(unsigned scene, unsigned copy = 0);

/// Nothing but grey.
std::string grey_photo();

}  // namespace panecard::tests
