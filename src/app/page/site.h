// What the page's server answers, path by path.
#pragma once

#include <functional>
#include <memory>
#include <set>
#include <string>

#include "base/base.h"

namespace panecard::app::page {

struct SiteOptions {
  std::string host = "127.0.0.1";
  int port = 0;                      ///< 0: any that is free
  std::set<std::string> own_names;   ///< host names and addresses to answer to, without a port
  std::string data_folder, library;  ///< of drafts, and the library's file
  bool pairing = false;              ///< devices must be paired
  std::function<void(const std::string&)> new_code;  ///< hears of each code after the first
};

class Site {
 public:
  explicit Site(SiteOptions options);
  Site(const Site&) = delete;
  Site& operator=(const Site&) = delete;
  ~Site();

  /// The port that it is bound to. @retval bad_usage, unwritable_file
  Result<int> bind();
  std::string pairing_code() const;
  /// Answers until it is stopped from elsewhere; what is at work then is ended, nothing half-saved.
  void run();
  void stop();

 private:
  class Server;
  std::unique_ptr<Server> server_;
};

}  // namespace panecard::app::page
