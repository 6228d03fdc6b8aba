// Work in a process of its own: whatever a hostile file does to it, the program goes on.
#pragma once

#include <sys/types.h>

#include <cstddef>
#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "base/base.h"

namespace panecard::app {

/// What a piece of work may use before it is ended.
struct Bounds {
  double seconds = 0;         ///< of processor time; of the clock several times as much
  std::size_t memory_mb = 0;  ///< resident
  double still_s = 0;         ///< on the clock without any processor time; 0: as long as it likes
};

class Apart {
 public:
  enum class End {
    running,
    answered,
    died,       ///< by a signal, or without an answer
    too_long,   ///< it was ended for its time
    too_large,  ///< it was ended for its memory, or got none
    stalled,    ///< it was ended because nothing went on in it
  };

  /// Starts `work`, whose answer is what comes back. The caller must have one thread only: the
  /// child is a copy of it.
  /// @retval unwritable_file  the system can start no further process
  static Result<Apart> start(const std::function<std::string()>& work, const Bounds& bounds);

  enum class Heard { output, errors };
  /// Starts this program anew, from whatever thread, with no open file of this one handed on.
  /// @param arguments  without the program's name
  /// @param heard  which of its streams is the answer
  /// @retval unwritable_file  the system can start no further process
  static Result<Apart> start(std::vector<std::string> arguments, Heard heard, const Bounds& bounds);
  Apart(Apart&& other) noexcept;
  Apart& operator=(Apart&& other) noexcept;
  Apart(const Apart&) = delete;
  Apart& operator=(const Apart&) = delete;
  ~Apart();  ///< ends it

  int descriptor() const { return line_; }  ///< for poll()
  /// A line on its standard input. @retval false  it does not listen
  bool say(const std::string& line) const;
  /// Its next line; nothing when the time is over, or when it ended.
  std::optional<std::string> hear(int most_ms);
  bool closed() const { return closed_; }  ///< it says no more
  /// Looks until it has ended, and ends it when the time is over.
  End wait(int most_ms);
  /// Takes what it has said so far, and ends it when it is beyond its bounds.
  End look();
  const std::string& answer() const { return answer_; }
  int signal() const { return signal_; }  ///< that it died by; 0: of none

 private:
  Apart(pid_t process, int line, const Bounds& bounds);
  void end();  ///< kills and reaps
  End reap();
  void read_all();

  pid_t process_ = -1;
  int line_ = -1;
  bool closed_ = false;
  Bounds bounds_;
  std::string answer_;
  double last_look_s_ = 0, lived_s_ = 0, worked_s_ = 0;  ///< the last: when it last did anything
  std::int64_t ticks_ = 0;                               ///< of the processor, then
  int signal_ = 0;
};

}  // namespace panecard::app
