// What a fuzzer starts from, and what it once crashed with, through every reader of foreign bytes.
#include <doctest/doctest.h>

#include <algorithm>
#include <filesystem>
#include <vector>

#include "fuzz/fuzz.h"
#include "support/folder.h"

namespace panecard::fuzz {
namespace {

namespace fs = std::filesystem;

struct Target {
  const char* name;
  const char* room;  ///< whose data/crashes holds what it once crashed with
  void (*read)(std::string_view bytes);
};

constexpr Target kTargets[] = {{"allowances", "pattern", allowances},
                               {"exif", "photo", exif},
                               {"folder", "library", folder},
                               {"layout", "records", layout},
                               {"lens", "photo", lens},
                               {"manifest", "app", manifest},
                               {"photo", "photo", photo},
                               {"piece", "records", piece},
                               {"record", "library", record},
                               {"request", "app", request},
                               {"result", "records", result},
                               {"stock", "records", stock}};

std::vector<fs::path> files_in(const fs::path& folder, const std::string& start) {
  std::vector<fs::path> out;
  std::error_code none;
  for (const auto& entry : fs::directory_iterator(folder, none)) {
    if (entry.path().filename().string().starts_with(start)) out.push_back(entry.path());
  }
  std::sort(out.begin(), out.end());
  return out;
}

}  // namespace

TEST_CASE("every reader of foreign bytes answers to its corpus, whole or cut, and to old crashes") {
  const fs::path tests = PANECARD_TESTS_FOLDER;
  for (const Target& target : kTargets) {
    CAPTURE(target.name);
    const auto corpus = files_in(tests / "fuzz/corpus" / target.name, "");
    CHECK(!corpus.empty());
    for (const fs::path& file : corpus) {
      CAPTURE(file.filename());
      const std::string bytes = support::bytes_of(file.string());
      constexpr std::size_t kParts = 8;
      for (std::size_t part = 0; part <= kParts; ++part) {
        target.read(std::string_view(bytes).substr(0, bytes.size() * part / kParts));
      }
    }
    const std::string start = std::string(target.name) + "-";
    for (const fs::path& file : files_in(tests / target.room / "data/crashes", start)) {
      CAPTURE(file.filename());
      target.read(support::bytes_of(file.string()));
    }
  }
}

}  // namespace panecard::fuzz
