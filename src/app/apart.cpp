#include "app/apart.h"

#include <fcntl.h>
#include <poll.h>
#include <spawn.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cmath>
#include <csignal>
#include <cstring>
#include <ctime>
#include <fstream>
#include <new>
#include <sstream>
#include <utility>

extern "C" char** environ;

namespace panecard::app {
namespace {

constexpr int kNoMemory = 77;  ///< the child's way of saying so
constexpr std::size_t kMostAnswer = std::size_t{64} << 20;

double clock_s() {
  timespec now{};
  ::clock_gettime(CLOCK_MONOTONIC, &now);
  return static_cast<double>(now.tv_sec) + 1e-9 * static_cast<double>(now.tv_nsec);
}

int left_ms(double until_s) {
  constexpr double kPerSecond = 1000;
  return static_cast<int>(std::max(0.0, kPerSecond * (until_s - clock_s())));
}

/// @param process  0: this one
void bind_to(const Bounds& bounds, pid_t process) {
  const auto limit = [process](__rlimit_resource what, const rlimit& most) {
    ::prlimit(process, what, &most, nullptr);
  };
  limit(RLIMIT_CORE, {0, 0});
  // The soft limit ends it by a signal that says why; the hard one would by one that does not.
  const auto seconds = static_cast<rlim_t>(std::ceil(bounds.seconds));
  limit(RLIMIT_CPU, {seconds, seconds + 5});
#ifndef __SANITIZE_ADDRESS__  // its shadow alone is terabytes
  // For what is asked for between two looks. The heap grows in large steps, hence the room.
  constexpr std::size_t kRoom_mb = 512;
  const rlim_t data = (2 * bounds.memory_mb + kRoom_mb) << 20;
  limit(RLIMIT_DATA, {data, data});
#endif
}

constexpr int kDeaf_ms = 10'000;  ///< who reads nothing for so long will not

bool write_all(int line, const std::string& bytes) {
  for (std::size_t done = 0; done < bytes.size();) {
    const ssize_t n = ::send(line, bytes.data() + done, bytes.size() - done, MSG_NOSIGNAL);
    pollfd full{line, POLLOUT, 0};
    if (n < 0 && errno == EINTR) continue;
    if (n < 0 && errno == EAGAIN && ::poll(&full, 1, kDeaf_ms) > 0) continue;
    if (n <= 0) return false;
    done += static_cast<std::size_t>(n);
  }
  return true;
}

[[noreturn]] void child(const std::function<std::string()>& work, const Bounds& bounds, int line,
                        pid_t parent) {
  ::prctl(PR_SET_PDEATHSIG, SIGKILL);
  if (::getppid() != parent) ::_exit(1);
  // What a library says as it dies is not for the user.
  const int nowhere = ::open("/dev/null", O_RDWR);
  if (nowhere >= 0) {
    ::dup2(nowhere, STDIN_FILENO), ::dup2(nowhere, STDOUT_FILENO), ::dup2(nowhere, STDERR_FILENO);
  }
  bind_to(bounds, 0);
  try {
    ::_exit(write_all(line, work()) ? 0 : 1);
  } catch (const std::bad_alloc&) {
    ::_exit(kNoMemory);
  } catch (...) {
    ::_exit(1);
  }
}

/// @param line  standard input, and the stream that is heard; what else is said goes nowhere
/// @return  0, or why there is no process
int spawn(std::vector<std::string> words, int line, int heard, pid_t& process) {
  words.insert(words.begin(), "panecard");
  std::vector<char*> argv;
  argv.reserve(words.size() + 1);
  for (std::string& word : words) argv.push_back(word.data());
  argv.push_back(nullptr);
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_adddup2(&actions, line, STDIN_FILENO);
  for (const int stream : {STDOUT_FILENO, STDERR_FILENO}) {
    if (stream == heard) {
      posix_spawn_file_actions_adddup2(&actions, line, stream);
    } else {
      posix_spawn_file_actions_addopen(&actions, stream, "/dev/null", O_WRONLY, 0);
    }
  }
  posix_spawn_file_actions_addclosefrom_np(&actions, STDERR_FILENO + 1);
  posix_spawnattr_t attributes;
  posix_spawnattr_init(&attributes);
  sigset_t none;
  sigemptyset(&none);
  posix_spawnattr_setsigmask(&attributes, &none);
  posix_spawnattr_setpgroup(&attributes, 0);  // Ctrl-C is for us, who end what we started
  posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETPGROUP);
  const int why =
      ::posix_spawn(&process, "/proc/self/exe", &actions, &attributes, argv.data(), environ);
  posix_spawnattr_destroy(&attributes);
  posix_spawn_file_actions_destroy(&actions);
  return why;
}

/// Both ends of a line of its own, and on the other one a process.
struct Started {
  pid_t process = -1;
  int line = -1;
};

/// @param begin  given the other end; returns the process, or -1 with why in errno
template <typename Begin>
Result<Started> started(const Begin& begin) {
  std::array<int, 2> ends{};
  Started out;
  // Sockets, because writing to one whose reader is gone can go without a signal.
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends.data()) == 0) {
    out.line = ends[0];
    out.process = begin(ends[1]);
    const int why = errno;
    ::close(ends[1]);
    errno = why;
  }
  if (out.process < 0) {
    const std::string why = std::strerror(errno);
    if (out.line >= 0) ::close(out.line);
    return Error{Code::unwritable_file,
                 "no process can be started: " + why + "; close other programs"};
  }
  ::fcntl(out.line, F_SETFL, O_NONBLOCK);
  return out;
}

#ifdef __SANITIZE_ADDRESS__
std::size_t resident_mb(pid_t) { return 0; }  // it keeps what was freed
#else
std::size_t resident_mb(pid_t process) {
  std::ifstream file("/proc/" + std::to_string(process) + "/statm");
  std::size_t pages = 0, resident = 0;
  file >> pages >> resident;
  return file ? (resident * static_cast<std::size_t>(::sysconf(_SC_PAGESIZE))) >> 20 : 0;
}
#endif

/// Processor time of all its threads: fields 14 and 15 of proc(5), counted behind the name, which
/// may hold blanks.
std::int64_t ticks_of(pid_t process) {
  std::ifstream file("/proc/" + std::to_string(process) + "/stat");
  std::string line;
  std::getline(file, line);
  const std::size_t name_end = line.rfind(')');
  if (name_end == std::string::npos) return 0;
  std::istringstream words(line.substr(name_end + 1));
  constexpr int kBefore = 11;
  std::string word;
  for (int k = 0; k < kBefore; ++k) words >> word;
  std::int64_t user = 0, system = 0;
  words >> user >> system;
  return user + system;
}

}  // namespace

Apart::Apart(pid_t process, int line, const Bounds& bounds)
    : process_(process), line_(line), bounds_(bounds), last_look_s_(clock_s()) {}

Apart::Apart(Apart&& other) noexcept { *this = std::move(other); }

Apart& Apart::operator=(Apart&& other) noexcept {
  std::swap(process_, other.process_);
  std::swap(line_, other.line_);
  std::swap(closed_, other.closed_);
  std::swap(bounds_, other.bounds_);
  std::swap(answer_, other.answer_);
  std::swap(last_look_s_, other.last_look_s_);
  std::swap(lived_s_, other.lived_s_);
  std::swap(worked_s_, other.worked_s_);
  std::swap(ticks_, other.ticks_);
  std::swap(signal_, other.signal_);
  return *this;
}

Apart::~Apart() {
  end();
  if (line_ >= 0) ::close(line_);
}

Result<Apart> Apart::start(const std::function<std::string()>& work, const Bounds& bounds) {
  const auto begun = started([&](int line) {
    const pid_t parent = ::getpid(), process = ::fork();
    if (process == 0) child(work, bounds, line, parent);
    return process;
  });
  if (!begun.ok()) return begun.error();
  return Apart(begun->process, begun->line, bounds);
}

Result<Apart> Apart::start(std::vector<std::string> arguments, Heard heard, const Bounds& bounds) {
  const auto begun = started([&](int line) {
    pid_t process = -1;
    errno = spawn(std::move(arguments), line,
                  heard == Heard::output ? STDOUT_FILENO : STDERR_FILENO, process);
    return errno == 0 ? process : -1;
  });
  if (!begun.ok()) return begun.error();
  bind_to(bounds, begun->process);
  return Apart(begun->process, begun->line, bounds);
}

void Apart::end() {
  if (process_ < 0) return;
  ::kill(process_, SIGKILL);
  while (::waitpid(process_, nullptr, 0) < 0 && errno == EINTR) {
  }
  process_ = -1;
}

Apart::End Apart::reap() {
  int status = 0;
  while (::waitpid(process_, &status, 0) < 0 && errno == EINTR) {
  }
  process_ = -1;
  if (WIFEXITED(status)) {
    if (WEXITSTATUS(status) == 0) return End::answered;
    return WEXITSTATUS(status) == kNoMemory ? End::too_large : End::died;
  }
  signal_ = WTERMSIG(status);
  return signal_ == SIGXCPU ? End::too_long : End::died;
}

void Apart::read_all() {
  std::array<char, 65536> part{};
  while (!closed_) {
    const ssize_t n = ::read(line_, part.data(), part.size());
    if (n < 0 && (errno == EAGAIN || errno == EINTR)) return;
    closed_ = n <= 0;
    if (n > 0) answer_.append(part.data(), static_cast<std::size_t>(n));
    if (answer_.size() > kMostAnswer) end(), closed_ = true;
  }
}

bool Apart::say(const std::string& line) const { return write_all(line_, line + "\n"); }

std::optional<std::string> Apart::hear(int most_ms) {
  constexpr double kPerSecond = 1000;
  const double until_s = clock_s() + most_ms / kPerSecond;
  for (;;) {
    read_all();
    const std::size_t end = answer_.find('\n');
    if (end != std::string::npos) {
      std::string line = answer_.substr(0, end);
      answer_.erase(0, end + 1);
      return line;
    }
    pollfd one{line_, POLLIN, 0};
    const int ready = closed_ ? 0 : ::poll(&one, 1, left_ms(until_s));
    if (ready == 0 || (ready < 0 && errno != EINTR)) return std::nullopt;
  }
}

Apart::End Apart::wait(int most_ms) {
  constexpr int kLook_ms = 50;
  constexpr double kPerSecond = 1000;
  const double until_s = clock_s() + most_ms / kPerSecond;
  for (;;) {
    const End end = look();
    if (end != End::running) return end;
    const int left = left_ms(until_s);
    if (left == 0) return this->end(), End::too_long;
    pollfd one{line_, POLLIN, 0};
    ::poll(&one, 1, std::min(left, kLook_ms));
  }
}

Apart::End Apart::look() {
  read_all();
  if (closed_) return process_ < 0 ? End::too_large : reap();
  // Not more than a second a look: a program that was stopped itself has no right to be angry.
  const double now = clock_s();
  lived_s_ += std::min(1.0, now - last_look_s_);
  last_look_s_ = now;
  constexpr double kClockShare = 8;  // of a machine that does other work
  if (lived_s_ > kClockShare * bounds_.seconds) return end(), End::too_long;
  if (const std::int64_t ticks = ticks_of(process_); ticks != ticks_) {
    ticks_ = ticks, worked_s_ = lived_s_;
  }
  if (bounds_.still_s > 0 && lived_s_ - worked_s_ > bounds_.still_s) return end(), End::stalled;
  if (resident_mb(process_) > bounds_.memory_mb) return end(), End::too_large;
  return End::running;
}

}  // namespace panecard::app
