#include "app/page/gate.h"

#include <openssl/crypto.h>
#include <openssl/evp.h>
#include <openssl/hmac.h>
#include <openssl/rand.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <stdexcept>
#include <string_view>
#include <utility>

#include "records/records.h"

namespace panecard::app::page {
namespace {

constexpr std::size_t kLongestPath = 200;

/// As many as anything here takes.
std::array<std::uint8_t, 32> random_bytes() {
  std::array<std::uint8_t, 32> bytes{};
  if (RAND_bytes(bytes.data(), static_cast<int>(bytes.size())) != 1) {
    throw std::runtime_error("no random numbers to be had from this system");
  }
  return bytes;
}

/// Letters and digits that nobody mistakes for each other.
std::string new_code() {
  constexpr std::string_view kLetters = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789";
  constexpr std::size_t kLength = 8;
  const auto random = random_bytes();
  std::string out;
  for (std::size_t i = 0; i < kLength; ++i) out += kLetters[random[i] % kLetters.size()];
  return out;
}

/// As typed on a phone: small letters and blanks do not matter.
std::string plain(const std::string& typed) {
  std::string out;
  for (char c : typed) {
    if (c >= 'a' && c <= 'z') c = static_cast<char>(c - 'a' + 'A');
    if ((c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9')) out += c;
  }
  return out;
}

std::optional<Refusal> badly_framed(const Asking& asking) {
  constexpr int kBad = 400, kLengthRequired = 411;
  // Two readers of one message that disagree on where it ends: request smuggling, RFC 9112, 6.3.
  if (asking.lengths > 1 || !asking.coding.empty()) {
    return Refusal{kBad, "say the length of the body once, and send it as it is"};
  }
  if (asking.method == "POST" && asking.lengths == 0) {
    return Refusal{kLengthRequired, "say the length of the body"};
  }
  if (!asking.length.empty() && !std::all_of(asking.length.begin(), asking.length.end(),
                                             [](char c) { return c >= '0' && c <= '9'; })) {
    return Refusal{kBad, "Content-Length is a number"};
  }
  return std::nullopt;
}

}  // namespace

std::optional<Refusal> refused(const Asking& asking, const std::set<std::string>& names) {
  constexpr int kForbidden = 403, kNotFound = 404, kNotAllowed = 405, kMisdirected = 421;
  if (asking.hosts != 1 || names.count(asking.host) == 0) {
    return Refusal{kMisdirected, "this is not the address that panecard serve answers to"};
  }
  const bool reads = asking.method == "GET" || asking.method == "HEAD";
  if (!reads && asking.method != "POST") return Refusal{kNotAllowed, "GET and POST only"};
  if (asking.path.size() > kLongestPath) return Refusal{kNotFound, "there is no such page"};
  if (auto bad = badly_framed(asking)) return bad;
  const bool own = asking.origin.starts_with("http://") &&
                   names.count(asking.origin.substr(std::string_view("http://").size())) == 1;
  if (!asking.origin.empty() && !own) return Refusal{kForbidden, "asked by another site's page"};
  const bool api = asking.path.starts_with("/api/");
  // Fetch Metadata: a link from elsewhere may open the page, not what lies behind it.
  const bool elsewhere = asking.site == "cross-site" || asking.site == "same-site";
  if (api && elsewhere) return Refusal{kForbidden, "asked by another site's page"};
  // A page elsewhere cannot set a header of ours without asking first, and we never allow it.
  if (!reads && asking.ours.empty()) return Refusal{kForbidden, "not asked by this page"};
  return std::nullopt;
}

std::string random_hex(std::size_t bytes) {
  return records::hex(random_bytes()).substr(0, 2 * bytes);
}

bool same_secret(const std::string& a, const std::string& b) {
  return a.size() == b.size() && CRYPTO_memcmp(a.data(), b.data(), a.size()) == 0;
}

Pairing::Pairing(std::string key, std::function<void(const std::string&)> changed)
    : key_(std::move(key)), changed_(std::move(changed)), code_(new_code()) {}

std::string Pairing::code() const {
  const std::lock_guard lock(mutex_);
  return code_;
}

std::string Pairing::signature(const std::string& text) const {
  records::Sha256 out{};
  const auto* bytes = reinterpret_cast<const unsigned char*>(text.data());
  HMAC(EVP_sha256(), key_.data(), static_cast<int>(key_.size()), bytes, text.size(), out.data(),
       nullptr);
  return records::hex(out);
}

std::optional<std::string> Pairing::pair(const std::string& code, std::int64_t now_s) {
  constexpr int kMostWrong = 10;
  constexpr std::size_t kNonce = 16;
  const std::lock_guard lock(mutex_);
  if (!same_secret(plain(code), code_)) {
    if (++wrong_ >= kMostWrong) {
      code_ = new_code();
      wrong_ = 0;
      if (changed_) changed_(code_);
    }
    return std::nullopt;
  }
  wrong_ = 0;
  const std::string said = std::to_string(now_s + kLasts_s) + "." + random_hex(kNonce);
  return said + "." + signature(said);
}

bool Pairing::knows(const std::string& cookies, std::int64_t now_s) const {
  const std::string name = std::string(kCookie) + "=";
  for (std::size_t at = 0; at < cookies.size();) {
    const std::size_t end = std::min(cookies.find(';', at), cookies.size());
    std::string one = cookies.substr(at, end - at);
    at = end + 1;
    one.erase(0, std::min(one.find_first_not_of(' '), one.size()));
    if (!one.starts_with(name)) continue;
    one.erase(0, name.size());
    const std::size_t dot = one.rfind('.');
    if (dot == std::string::npos) continue;
    if (!same_secret(signature(one.substr(0, dot)), one.substr(dot + 1))) continue;
    std::int64_t until = 0;
    std::from_chars(one.data(), one.data() + dot, until);
    if (until > now_s) return true;
  }
  return false;
}

}  // namespace panecard::app::page
