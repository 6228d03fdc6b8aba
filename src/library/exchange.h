// What writing a library as a folder and reading it back have in common.
#pragma once

#include <cstddef>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>

#include "base/base.h"

namespace panecard::library {

namespace fs = std::filesystem;
using Json = nlohmann::ordered_json;

constexpr std::size_t kMostFile = 16'000'000;

/// Why a folder is refused; never leaves this room.
struct Refusal {
  std::string what;
  Code code = Code::unreadable_file;
};

}  // namespace panecard::library
