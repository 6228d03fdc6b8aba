// `panecard serve` as a browser or an attacker sees it.
#pragma once

#include <sys/types.h>

#include <string>

#include "support/folder.h"

namespace panecard::tests {

/// The built program, serving on a free port; ended with the object.
class PageServer {
 public:
  explicit PageServer(const std::string& more = "");
  PageServer(const PageServer&) = delete;
  PageServer& operator=(const PageServer&) = delete;
  ~PageServer();

  int port() const { return port_; }
  std::string host() const { return "127.0.0.1:" + std::to_string(port_); }
  std::string data() const { return folder_ / "data"; }
  std::string library() const { return folder_ / "shop.panes"; }
  const std::string& said() const { return said_; }  ///< on its standard output until it served
  long resident_kb() const;
  /// Asks it to end. @returns its exit status, or -1 when it did not within the time
  int end(int signal, int most_ms);

  /// All that comes back for these bytes.
  std::string raw(const std::string& bytes) const;
  std::string get(const std::string& path, const std::string& headers = "") const;
  std::string post(const std::string& path, const std::string& body,
                   const std::string& headers = "") const;

 private:
  support::Folder folder_;
  pid_t pid_ = -1;
  int port_ = 0;
  std::string said_;
};

int status_of(const std::string& response);
std::string body_of(const std::string& response);  ///< chunks joined

}  // namespace panecard::tests
