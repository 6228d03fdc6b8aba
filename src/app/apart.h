// Work in a process of its own: whatever a hostile file does to it, the program goes on.
#pragma once

#include <sys/types.h>

#include <cstddef>
#include <functional>
#include <string>

#include "base/base.h"

namespace panecard::app {

/// What a piece of work may use before it is ended.
struct Bounds {
  double seconds = 0;         ///< of processor time; of the clock several times as much
  std::size_t memory_mb = 0;  ///< resident
};

class Apart {
 public:
  enum class End {
    running,
    answered,
    died,       ///< by a signal, or without an answer
    too_long,   ///< it was ended for its time
    too_large,  ///< it was ended for its memory, or got none
  };

  /// Starts `work`, whose answer is what comes back. The caller must have one thread only: the
  /// child is a copy of it.
  /// @retval unwritable_file  the system can start no further process
  static Result<Apart> start(const std::function<std::string()>& work, const Bounds& bounds);
  Apart(Apart&& other) noexcept;
  Apart& operator=(Apart&& other) noexcept;
  Apart(const Apart&) = delete;
  Apart& operator=(const Apart&) = delete;
  ~Apart();  ///< ends it

  int descriptor() const { return pipe_; }  ///< for poll()
  /// Takes what it has said so far, and ends it when it is beyond its bounds.
  End look();
  const std::string& answer() const { return answer_; }
  int signal() const { return signal_; }  ///< that it died by; 0: of none

 private:
  Apart(pid_t process, int pipe, const Bounds& bounds);
  void end();  ///< kills and reaps
  End reap();
  bool read_all();  ///< true: it has closed its end

  pid_t process_ = -1;
  int pipe_ = -1;
  Bounds bounds_;
  std::string answer_;
  double last_look_s_ = 0, lived_s_ = 0;
  int signal_ = 0;
};

}  // namespace panecard::app
