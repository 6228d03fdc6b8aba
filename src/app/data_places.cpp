#include "app/data_places.h"

#include <cstdlib>
#include <filesystem>

namespace panecard::app {

std::vector<std::string> data_places(const std::string& name) {
  namespace fs = std::filesystem;
  std::vector<std::string> places;
  const char* data = std::getenv("XDG_DATA_HOME");
  const char* home = std::getenv("HOME");
  // XDG Base Directory: an empty or relative value counts as unset.
  if (data != nullptr && fs::path(data).is_absolute()) {
    places.push_back(fs::path(data) / "panecard" / name);
  } else if (home != nullptr && fs::path(home).is_absolute()) {
    places.push_back(fs::path(home) / ".local" / "share" / "panecard" / name);
  }
  std::error_code trouble;
  const fs::path program = fs::read_symlink("/proc/self/exe", trouble);
  if (!trouble) {
    places.push_back(program.parent_path() / name);
    places.push_back(program.parent_path().parent_path() / "share" / "panecard" / name);
  }
  places.emplace_back(fs::path(PANECARD_BUILT_DATA) / name);
  return places;
}

}  // namespace panecard::app
