#include "app/apart.h"

#include <fcntl.h>
#include <sys/prctl.h>
#include <sys/resource.h>
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
#include <utility>

namespace panecard::app {
namespace {

constexpr int kNoMemory = 77;  ///< the child's way of saying so
constexpr std::size_t kMostAnswer = std::size_t{64} << 20;

double clock_s() {
  timespec now{};
  ::clock_gettime(CLOCK_MONOTONIC, &now);
  return static_cast<double>(now.tv_sec) + 1e-9 * static_cast<double>(now.tv_nsec);
}

void limit(__rlimit_resource what, std::size_t most) {
  const rlimit value{most, most};
  ::setrlimit(what, &value);
}

void bind_to(const Bounds& bounds) {
  limit(RLIMIT_CORE, 0);
  // The soft limit ends it by a signal that says why; the hard one would by one that does not.
  const auto seconds = static_cast<rlim_t>(std::ceil(bounds.seconds));
  const rlimit processor{seconds, seconds + 5};
  ::setrlimit(RLIMIT_CPU, &processor);
#ifndef __SANITIZE_ADDRESS__  // its shadow alone is terabytes
  // For what is asked for between two looks. The heap grows in large steps, hence the room.
  constexpr std::size_t kRoom_mb = 512;
  limit(RLIMIT_DATA, (2 * bounds.memory_mb + kRoom_mb) << 20);
#endif
}

bool write_all(int pipe, const std::string& bytes) {
  for (std::size_t done = 0; done < bytes.size();) {
    const ssize_t n = ::write(pipe, bytes.data() + done, bytes.size() - done);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return false;
    done += static_cast<std::size_t>(n);
  }
  return true;
}

[[noreturn]] void child(const std::function<std::string()>& work, const Bounds& bounds, int pipe,
                        pid_t parent) {
  ::prctl(PR_SET_PDEATHSIG, SIGKILL);
  if (::getppid() != parent) ::_exit(1);
  // What a library says as it dies is not for the user.
  const int nowhere = ::open("/dev/null", O_RDWR);
  if (nowhere >= 0) {
    ::dup2(nowhere, STDIN_FILENO), ::dup2(nowhere, STDOUT_FILENO), ::dup2(nowhere, STDERR_FILENO);
  }
  bind_to(bounds);
  try {
    ::_exit(write_all(pipe, work()) ? 0 : 1);
  } catch (const std::bad_alloc&) {
    ::_exit(kNoMemory);
  } catch (...) {
    ::_exit(1);
  }
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

}  // namespace

Apart::Apart(pid_t process, int pipe, const Bounds& bounds)
    : process_(process), pipe_(pipe), bounds_(bounds), last_look_s_(clock_s()) {}

Apart::Apart(Apart&& other) noexcept
    : process_(std::exchange(other.process_, -1)),
      pipe_(std::exchange(other.pipe_, -1)),
      bounds_(other.bounds_),
      answer_(std::move(other.answer_)),
      last_look_s_(other.last_look_s_),
      lived_s_(other.lived_s_),
      signal_(other.signal_) {}

Apart& Apart::operator=(Apart&& other) noexcept {
  std::swap(process_, other.process_);
  std::swap(pipe_, other.pipe_);
  std::swap(bounds_, other.bounds_);
  std::swap(answer_, other.answer_);
  std::swap(last_look_s_, other.last_look_s_);
  std::swap(lived_s_, other.lived_s_);
  std::swap(signal_, other.signal_);
  return *this;
}

Apart::~Apart() {
  end();
  if (pipe_ >= 0) ::close(pipe_);
}

Result<Apart> Apart::start(const std::function<std::string()>& work, const Bounds& bounds) {
  const auto failed = [] {
    return Error{Code::unwritable_file, std::string("no process can be started: ") +
                                            std::strerror(errno) + "; close other programs"};
  };
  std::array<int, 2> ends{};
  if (::pipe2(ends.data(), O_CLOEXEC) != 0) return failed();
  const pid_t parent = ::getpid();
  const pid_t process = ::fork();
  if (process == 0) child(work, bounds, ends[1], parent);
  ::close(ends[1]);
  if (process < 0) {
    const int why = errno;
    ::close(ends[0]);
    errno = why;
    return failed();
  }
  ::fcntl(ends[0], F_SETFL, O_NONBLOCK);
  return Apart(process, ends[0], bounds);
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

bool Apart::read_all() {
  std::array<char, 65536> part{};
  while (answer_.size() < kMostAnswer) {
    const ssize_t n = ::read(pipe_, part.data(), part.size());
    if (n == 0) return true;
    if (n < 0) return errno != EAGAIN && errno != EINTR;
    answer_.append(part.data(), static_cast<std::size_t>(n));
  }
  return true;
}

Apart::End Apart::look() {
  if (read_all()) return reap();
  // Not more than a second a look: a program that was stopped itself has no right to be angry.
  const double now = clock_s();
  lived_s_ += std::min(1.0, now - last_look_s_);
  last_look_s_ = now;
  constexpr double kClockShare = 8;  // of a machine that does other work
  if (lived_s_ > kClockShare * bounds_.seconds) return end(), End::too_long;
  if (resident_mb(process_) > bounds_.memory_mb) return end(), End::too_large;
  return End::running;
}

}  // namespace panecard::app
