#include <unistd.h>

#include <algorithm>
#include <cctype>
#include <cstdio>
#include <filesystem>
#include <set>

#include "app/app.h"

namespace panecard::app {
namespace {

namespace fs = std::filesystem;

Error unwritable(const std::string& path, const std::string& why) {
  return {Code::unwritable_file, "cannot write '" + path + "': " + why};
}

/// A link keeps pointing where it pointed.
std::string target_of(const std::string& path) {
  std::error_code trouble;
  const fs::path target = fs::canonical(path, trouble);
  return trouble ? path : target.string();
}

/// A pipe or device is written straight through: it can be neither renamed nor taken back.
bool replaceable(const std::string& path) {
  std::error_code ignored;
  const fs::file_status status = fs::status(path, ignored);
  return !fs::exists(status) || fs::is_regular_file(status);
}

Outcome print(const std::string& text) {
  if (std::fwrite(text.data(), 1, text.size(), stdout) == text.size() && std::fflush(stdout) == 0) {
    return std::nullopt;
  }
  return unwritable("standard output", "it is closed or full");
}

}  // namespace

/// Removes what was written aside, unless it has been put in place.
class Outputs::Asides {
 public:
  Asides() = default;
  Asides(const Asides&) = delete;
  Asides& operator=(const Asides&) = delete;
  ~Asides() {
    std::error_code ignored;
    for (const fs::path& path : paths_) fs::remove(path, ignored);
  }
  void add(const fs::path& path) { paths_.push_back(path); }
  void keep() { paths_.clear(); }

 private:
  std::vector<fs::path> paths_;
};

std::string ending(const std::string& path) {
  std::string text = fs::path(path).extension().string();
  for (char& c : text) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  return text;
}

Outcome Outputs::plan(const std::string& path, const std::vector<std::string>& inputs) {
  std::error_code ignored;
  const fs::path folder = fs::absolute(path, ignored).parent_path();
  if (fs::is_directory(path, ignored)) return unwritable(path, "it is a folder; name a file in it");
  if (!fs::is_directory(folder, ignored)) {
    return unwritable(path, "there is no folder '" + folder.string() + "'; make it first");
  }
  if (replaceable(path) && ::access(folder.c_str(), W_OK) != 0) {
    return unwritable(path, "its folder may not be written to; choose another");
  }
  for (const std::string& input : inputs) {
    if (!fs::equivalent(path, input, ignored)) continue;
    return Error{Code::bad_usage,
                 "'" + path + "' is what is read from; give the result another name"};
  }
  const auto same = [&](const File& file) {
    std::error_code none;
    return fs::weakly_canonical(file.path, none) == fs::weakly_canonical(path, none);
  };
  if (std::any_of(files_.begin(), files_.end(), same)) {
    return Error{Code::bad_usage, "'" + path + "' is named for two results; give each its own"};
  }
  files_.push_back({path, {}});
  return std::nullopt;
}

void Outputs::set(const std::string& path, std::string bytes) {
  const auto file =
      std::find_if(files_.begin(), files_.end(), [&](const File& f) { return f.path == path; });
  if (file != files_.end()) file->bytes = std::move(bytes);
}

/// All but devices, each beside its target.
Outcome Outputs::write_aside(Asides& asides) const {
  for (const File& file : files_) {
    if (!replaceable(file.path)) continue;
    const std::string target = target_of(file.path), aside = aside_name(target);
    remove_leftovers(target);
    asides.add(aside);
    const auto written = write_file(aside, file.bytes);
    if (!written.ok()) return written.error();
    std::error_code trouble;
    const fs::file_status before = fs::status(target, trouble);
    if (fs::exists(before)) fs::permissions(aside, before.permissions(), trouble);
  }
  // A device cannot be written aside: it comes first, so that its trouble leaves nothing behind.
  for (const File& file : files_) {
    if (replaceable(file.path)) continue;
    const auto written = write_file(file.path, file.bytes);
    if (!written.ok()) return written.error();
  }
  return std::nullopt;
}

Outcome Outputs::put_in_place(Asides& asides) const {
  for (const File& file : files_) {
    if (!replaceable(file.path)) continue;
    const std::string target = target_of(file.path);
    std::error_code trouble;
    fs::rename(aside_name(target), target, trouble);
    if (trouble) return unwritable(file.path, trouble.message());
    asides.add(target);
  }
  asides.keep();
  return std::nullopt;
}

Outcome Outputs::write(const std::string& stdout_text) {
  Asides asides;
  if (auto failed = write_aside(asides)) return failed;
  if (auto failed = print(stdout_text)) return failed;
  return put_in_place(asides);
}

Outcome Outputs::commit(const std::string& stdout_text) {
  Asides asides;
  if (auto failed = write_aside(asides)) return failed;
  std::set<std::string> folders;
  for (const File& file : files_) {
    if (!replaceable(file.path)) continue;
    const std::string target = target_of(file.path);
    folders.insert(fs::absolute(target).parent_path().string());
    if (!on_disk(aside_name(target))) return unwritable(file.path, "the disk failed");
  }
  if (auto failed = put_in_place(asides)) return failed;
  for (const std::string& folder : folders) on_disk(folder);
  auto failed = print(stdout_text);
  if (failed) failed->detail += "; the files are written all the same";
  return failed;
}

}  // namespace panecard::app
