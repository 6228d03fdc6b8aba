// The built program as a script sees it.
#pragma once

#include <sys/types.h>

#include <optional>
#include <string>
#include <vector>

#include "support/folder.h"

namespace panecard::tests {

struct Run {
  int status = -1;
  std::string out, err;
};

/// The program while it runs, in an environment without the profiles and allowances of whoever
/// runs the tests. A leftover one is killed.
class Program {
 public:
  /// @param disk_bytes  that may still be written to files before the disk is full
  explicit Program(std::vector<std::string> arguments, std::optional<long> disk_bytes = {});
  Program(const Program&) = delete;
  Program& operator=(const Program&) = delete;
  ~Program();

  pid_t id() const { return id_; }
  std::string said_so_far() const;  ///< on standard output
  Run wait();
  Run kill();  ///< at once, as by kill -9

 private:
  support::Folder log_;
  pid_t id_ = -1;
};

/// From start to end.
Run panecard_with(std::vector<std::string> arguments);

/// One line on standard error, nothing on standard output.
void check_fails(const Run& run, int status);

}  // namespace panecard::tests
