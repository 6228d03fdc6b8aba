// Result files of invented panes, for the library's tests.
#pragma once

#include <cstdint>
#include <random>
#include <string>

#include "check/check.h"

namespace panecard::library::test {

/// With sources of error as one photo of a coded sheet has them, as measure --json writes it.
std::string result(const check::Shape& shape, const std::string& photo = "pane.jpg", int card = 0,
                   const std::string& lens = "phone-a profile, 12 photos");
std::string result(unsigned number);

}  // namespace panecard::library::test
