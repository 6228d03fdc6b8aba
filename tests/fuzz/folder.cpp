// An exported library in which one file is foreign: the first byte says which.
#include "library/folder.h"

#include <algorithm>
#include <array>
#include <cstdlib>
#include <fstream>
#include <stdexcept>

#include "fuzz/fuzz.h"

namespace {

namespace fs = std::filesystem;

constexpr const char* kPane = "1-norden-kuma/1-front-door-left";
constexpr std::array<const char*, 5> kFiles = {"library.json", "vehicle.json", "pane.json",
                                               "measurement-1.json", "piece-1.json"};

/// Where the file is in the folder.
fs::path place_of(std::size_t file) {
  const fs::path pane = kPane;
  const std::array<fs::path, 3> folders = {"", pane.parent_path(), pane};
  return folders[std::min<std::size_t>(file, 2)] / kFiles[file];
}

/// A copy of tests/fuzz/corpus/export, for this process alone.
class Copy {
 public:
  Copy() : path_((fs::temp_directory_path() / "panecard-fuzz-XXXXXX").string()) {
    if (::mkdtemp(path_.data()) == nullptr) throw std::runtime_error("no temporary folder");
    fs::copy(PANECARD_EXPORT, path_, fs::copy_options::recursive);
  }
  Copy(const Copy&) = delete;
  Copy& operator=(const Copy&) = delete;
  ~Copy() {
    std::error_code ignored;
    fs::remove_all(path_, ignored);
  }
  fs::path path() const { return path_; }

 private:
  std::string path_;
};

}  // namespace

void panecard::fuzz::folder(std::string_view bytes) {
  if (bytes.empty()) return;
  const std::size_t file = static_cast<unsigned char>(bytes.front()) % kFiles.size();
  static const Copy copy;
  const fs::path foreign = copy.path() / place_of(file);
  std::ofstream(foreign, std::ios::binary) << bytes.substr(1);
  try {
    const library::ExportedFolder folder(copy.path());
    for (const fs::path& vehicle : folder.vehicles()) (void)folder.vehicle(vehicle);
  } catch (const library::Refusal&) {
  } catch (const nlohmann::json::exception&) {
  } catch (const fs::filesystem_error&) {
  } catch (const std::out_of_range&) {
  }
  fs::copy_file(PANECARD_EXPORT / place_of(file), foreign, fs::copy_options::overwrite_existing);
}
