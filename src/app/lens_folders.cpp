#include "app/lens_folders.h"

#include <cstdlib>
#include <filesystem>

namespace panecard::app {

std::vector<std::string> lens_folders() {
  namespace fs = std::filesystem;
  std::vector<std::string> folders;
  const char* data = std::getenv("XDG_DATA_HOME");
  const char* home = std::getenv("HOME");
  // XDG Base Directory: an empty or relative value counts as unset.
  if (data != nullptr && fs::path(data).is_absolute()) {
    folders.push_back(fs::path(data) / "panecard" / "lenses");
  } else if (home != nullptr && fs::path(home).is_absolute()) {
    folders.push_back(fs::path(home) / ".local" / "share" / "panecard" / "lenses");
  }
  std::error_code trouble;
  const fs::path program = fs::read_symlink("/proc/self/exe", trouble);
  if (!trouble) {
    folders.push_back(program.parent_path() / "lenses");
    folders.push_back(program.parent_path().parent_path() / "share" / "panecard" / "lenses");
  }
  folders.emplace_back(PANECARD_BUILT_LENSES);
  return folders;
}

}  // namespace panecard::app
