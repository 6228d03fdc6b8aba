// Photos that are being measured and are in no library yet: a private folder for each.
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "base/base.h"

namespace panecard::app::page {

class Drafts {
 public:
  static constexpr std::size_t kMostPhotos = 12, kMostPhotoBytes = std::size_t{64} << 20;
  static constexpr std::size_t kMostDrafts = 200;

  /// @param folder  made if need be, for this user only
  explicit Drafts(std::string folder) : folder_(std::move(folder)) {}
  /// Makes the folder and removes what was left for more than a week. @retval unwritable_file
  std::optional<Error> prepare() const;

  /// A draft without photos; the oldest go where there are too many.
  Result<std::string> begin() const;
  bool has(const std::string& id) const;
  void drop(const std::string& id) const;

  /// A file of the draft. @param name  one of ours, never one that came with a request
  std::string file(const std::string& id, const std::string& name) const;

  /// What is known of it: "photos" (file and name), "options", "edits".
  Result<nlohmann::json> state(const std::string& id) const;
  std::optional<Error> set_state(const std::string& id, const nlohmann::json& state) const;

 private:
  std::string folder_;
};

/// As people see it: the last part of a path, without what a terminal or a file would trip over.
std::string display_name(const std::string& said, std::size_t most = 80);

}  // namespace panecard::app::page
