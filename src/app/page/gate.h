// Who may ask the page's server for what: everything that is decided before a request is looked at.
#pragma once

#include <cstdint>
#include <functional>
#include <mutex>
#include <optional>
#include <set>
#include <string>

namespace panecard::app::page {

/// What a request says about where it comes from. Empty: the header is missing.
struct Asking {
  std::string method, path;
  std::size_t hosts = 0;  ///< Host headers
  std::string host, origin, site, ours, cookie;
  std::string length, coding;  ///< Content-Length; Transfer- or Content-Encoding
  std::size_t lengths = 0;
};

struct Refusal {
  int status = 0;
  std::string why;
};

/// `names` are the addresses that the server answers to, "127.0.0.1:8765": a page of another site
/// whose name was made to point here (DNS rebinding) says its own name.
std::optional<Refusal> refused(const Asking& asking, const std::set<std::string>& names);

/// RFC 9110 and CSP 3: nothing is loaded from elsewhere, nothing inline runs, nobody frames us.
inline constexpr const char* kPolicy =
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'none'; base-uri 'none'; frame-ancestors 'none'";

/// Random bytes as text that is a safe file name. @param bytes  of randomness, 32 at most
std::string random_hex(std::size_t bytes);

/// Compares in a time that does not depend on where two texts differ.
bool same_secret(const std::string& a, const std::string& b);

/// Pairs devices by a code that is read from the terminal, and knows them again by a signed cookie.
class Pairing {
 public:
  /// @param key  signs the cookies; keeping it keeps the devices paired
  /// @param changed  hears of each new code after the first
  explicit Pairing(std::string key, std::function<void(const std::string&)> changed = {});

  std::string code() const;
  /// A cookie's value for the right code. Ten wrong ones make a new code.
  std::optional<std::string> pair(const std::string& code, std::int64_t now_s);
  /// @param cookies  of the Cookie header
  bool knows(const std::string& cookies, std::int64_t now_s) const;

  static constexpr const char* kCookie = "panecard";
  static constexpr std::int64_t kLasts_s = std::int64_t{30} * 24 * 3600;

 private:
  std::string signature(const std::string& text) const;

  std::string key_;
  std::function<void(const std::string&)> changed_;
  mutable std::mutex mutex_;
  std::string code_;
  int wrong_ = 0;
};

}  // namespace panecard::app::page
