#include "app/page/drafts.h"

#include <sys/stat.h>

#include <algorithm>
#include <chrono>
#include <filesystem>
#include <vector>

#include "app/app.h"
#include "app/page/gate.h"

namespace panecard::app::page {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;

constexpr std::size_t kIdBytes = 16;
constexpr const char* kState = "state.json";

bool is_id(const std::string& text) {
  return text.size() == 2 * kIdBytes && std::all_of(text.begin(), text.end(), [](char c) {
           return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'f');
         });
}

struct Aged {
  fs::file_time_type used;
  fs::path folder;
};

/// Latest first. A draft's age is that of its state.
std::vector<Aged> all_in(const std::string& folder) {
  std::vector<Aged> out;
  std::error_code trouble;
  for (const auto& entry : fs::directory_iterator(folder, trouble)) {
    if (!is_id(entry.path().filename().string())) continue;
    std::error_code none;
    fs::file_time_type used = fs::last_write_time(entry.path() / kState, none);
    if (none) used = fs::last_write_time(entry.path(), none);
    if (!none) out.push_back({used, entry.path()});
  }
  std::sort(out.begin(), out.end(), [](const Aged& a, const Aged& b) { return a.used > b.used; });
  return out;
}

}  // namespace

std::optional<Error> Drafts::prepare() const {
  std::error_code trouble;
  fs::create_directories(folder_, trouble);
  if (!trouble) fs::permissions(folder_, fs::perms::owner_all, trouble);
  if (trouble) {
    return Error{Code::unwritable_file, "cannot use the folder '" + folder_ + "': " +
                                            trouble.message() + "; name another with --data"};
  }
  constexpr auto kWeek = std::chrono::hours(7 * 24);
  const auto now = fs::file_time_type::clock::now();
  for (const Aged& draft : all_in(folder_)) {
    if (now - draft.used > kWeek) fs::remove_all(draft.folder, trouble);
  }
  return std::nullopt;
}

Result<std::string> Drafts::begin() const {
  const std::vector<Aged> all = all_in(folder_);
  std::error_code trouble;
  for (std::size_t k = kMostDrafts - 1; k < all.size(); ++k) {
    fs::remove_all(all[k].folder, trouble);
  }
  std::string id = random_hex(kIdBytes);
  const fs::path folder = fs::path(folder_) / id;
  if (::mkdir(folder.c_str(), S_IRWXU) != 0) {
    return Error{Code::unwritable_file, "no room for another photo in '" + folder_ + "'"};
  }
  const json empty = {
      {"photos", json::array()}, {"options", json::object()}, {"edits", json::array()}};
  if (auto error = set_state(id, empty)) return *error;
  return id;
}

bool Drafts::has(const std::string& id) const {
  return is_id(id) && fs::exists(fs::path(folder_) / id / kState);
}

void Drafts::drop(const std::string& id) const {
  std::error_code trouble;
  if (is_id(id)) fs::remove_all(fs::path(folder_) / id, trouble);
}

std::string Drafts::file(const std::string& id, const std::string& name) const {
  return fs::path(folder_) / id / name;
}

Result<json> Drafts::state(const std::string& id) const {
  constexpr std::size_t kMost = 2'000'000;
  const Error gone = {Code::unreadable_file, "this photo is not here any more; take it again"};
  if (!has(id)) return gone;
  const auto bytes = read_file(file(id, kState), kMost);
  if (!bytes.ok()) return gone;
  json state = json::parse(bytes.value(), nullptr, false);
  if (!state.is_object()) return gone;
  return state;
}

std::optional<Error> Drafts::set_state(const std::string& id, const json& state) const {
  const auto wrote =
      write_file(file(id, kState), state.dump(-1, ' ', false, json::error_handler_t::replace));
  if (!wrote.ok()) return wrote.error();
  return std::nullopt;
}

std::string display_name(const std::string& said, std::size_t most) {
  const std::size_t slash = said.find_last_of("/\\");
  std::string name = one_line(slash == std::string::npos ? said : said.substr(slash + 1));
  // A multi-byte character is kept whole or not at all.
  std::size_t end = std::min(most, name.size());
  while (end > 0 && end < name.size() && (static_cast<unsigned char>(name[end]) & 0xC0U) == 0x80U) {
    --end;
  }
  name.resize(end);
  // What is no UTF-8 becomes the replacement character.
  name = json::parse(json(name).dump(-1, ' ', false, json::error_handler_t::replace))
             .get<std::string>();
  return name.empty() || name == "." || name == ".." ? "photo" : name;
}

}  // namespace panecard::app::page
