// This program once more, as a process of its own with bounds on its time and memory: what it is
// given may be hostile, and takes nobody else down.
#pragma once

#include <sys/types.h>

#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace panecard::app::page {

/// Set in the child itself, before it reads anything.
struct Bounds {
  std::size_t memory_bytes = 0;
  unsigned cpu_s = 0;
};
void bound_this_process(const Bounds& bounds);

/// A child that is asked by lines and answers by lines.
class Child {
 public:
  /// @param arguments  of this program, without its name
  explicit Child(const std::vector<std::string>& arguments);
  Child(const Child&) = delete;
  Child& operator=(const Child&) = delete;
  ~Child();  ///< kills it if it still runs

  bool alive() const { return pid_ > 0 && !ended_; }
  bool ended() const { return ended_; }
  bool say(const std::string& line);
  /// The next line; nothing when the time is over, or when it ended.
  std::optional<std::string> hear(int most_ms);
  void kill();

 private:
  pid_t pid_ = -1;
  int to_ = -1, from_ = -1;
  std::string heard_;
  bool ended_ = false;
};

struct Ended {
  bool ok = false;
  std::string said;  ///< its one line on standard error
};

/// Runs a command of this program to its end.
Ended run_command(const std::vector<std::string>& arguments, int most_ms);

}  // namespace panecard::app::page
