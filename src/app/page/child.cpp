#include "app/page/child.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <chrono>

extern "C" char** environ;

namespace panecard::app::page {
namespace {

using Clock = std::chrono::steady_clock;

int left_ms(Clock::time_point until) {
  const auto left = std::chrono::duration_cast<std::chrono::milliseconds>(until - Clock::now());
  return static_cast<int>(std::max<std::chrono::milliseconds::rep>(0, left.count()));
}

/// Standard input and error are `in` and `err` where not negative, else nothing; standard output
/// is `out`.
pid_t start(const std::vector<std::string>& arguments, int in, int out, int err) {
  std::vector<std::string> words = arguments;
  words.insert(words.begin(), "panecard");
  std::vector<char*> argv;
  argv.reserve(words.size() + 1);
  for (std::string& word : words) argv.push_back(word.data());
  argv.push_back(nullptr);
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  const std::array<int, 3> ends = {in, out, err};
  for (int k = 0; k < 3; ++k) {
    if (ends[k] >= 0) {
      posix_spawn_file_actions_adddup2(&actions, ends[k], k);
    } else {
      posix_spawn_file_actions_addopen(&actions, k, "/dev/null", k == 0 ? O_RDONLY : O_WRONLY, 0);
    }
  }
  posix_spawn_file_actions_addclosefrom_np(&actions, 3);  // else it would hold connections open
  posix_spawnattr_t attributes;
  posix_spawnattr_init(&attributes);
  sigset_t none;
  sigemptyset(&none);
  posix_spawnattr_setsigmask(&attributes, &none);
  posix_spawnattr_setpgroup(&attributes, 0);  // Ctrl-C is for the server, which ends its children
  posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETPGROUP);
  pid_t pid = -1;
  if (::posix_spawn(&pid, "/proc/self/exe", &actions, &attributes, argv.data(), environ) != 0) {
    pid = -1;
  }
  posix_spawnattr_destroy(&attributes);
  posix_spawn_file_actions_destroy(&actions);
  return pid;
}

void reap(pid_t pid) {
  while (::waitpid(pid, nullptr, 0) < 0 && errno == EINTR) {
  }
}

}  // namespace

void bound_this_process(const Bounds& bounds) {
  const rlimit no_core{0, 0};
  ::setrlimit(RLIMIT_CORE, &no_core);
  if (bounds.cpu_s > 0) {
    const rlimit cpu{bounds.cpu_s, bounds.cpu_s};
    ::setrlimit(RLIMIT_CPU, &cpu);
  }
#ifndef __SANITIZE_ADDRESS__  // its shadow takes terabytes of addresses
  if (bounds.memory_bytes > 0) {
    const rlimit memory{bounds.memory_bytes, bounds.memory_bytes};
    ::setrlimit(RLIMIT_AS, &memory);
  }
#endif
}

Child::Child(const std::vector<std::string>& arguments) {
  std::array<int, 2> down{}, up{};
  // A socket rather than a pipe: writing to one whose reader is gone can go without a signal.
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, down.data()) != 0) return;
  if (::pipe2(up.data(), O_CLOEXEC) != 0) {
    ::close(down[0]);
    ::close(down[1]);
    return;
  }
  pid_ = start(arguments, down[1], up[1], -1);
  ::close(down[1]);
  ::close(up[1]);
  to_ = down[0];
  from_ = up[0];
}

Child::~Child() {
  kill();
  if (to_ >= 0) ::close(to_);
  if (from_ >= 0) ::close(from_);
}

void Child::kill() {
  if (pid_ <= 0) return;
  ::kill(pid_, SIGKILL);
  reap(pid_);
  pid_ = -1;
}

bool Child::say(const std::string& line) {
  if (pid_ <= 0) return false;
  const std::string whole = line + "\n";
  for (std::size_t at = 0; at < whole.size();) {
    const ssize_t sent = ::send(to_, whole.data() + at, whole.size() - at, MSG_NOSIGNAL);
    if (sent < 0 && errno == EINTR) continue;
    if (sent <= 0) return false;
    at += static_cast<std::size_t>(sent);
  }
  return true;
}

std::optional<std::string> Child::hear(int most_ms) {
  constexpr std::size_t kMostLine = std::size_t{16} << 20;
  const auto until = Clock::now() + std::chrono::milliseconds(most_ms);
  std::size_t looked = 0;
  while (pid_ > 0 && heard_.size() < kMostLine) {
    const std::size_t end = heard_.find('\n', looked);
    if (end != std::string::npos) {
      std::string line = heard_.substr(0, end);
      heard_.erase(0, end + 1);
      return line;
    }
    looked = heard_.size();
    pollfd one{from_, POLLIN, 0};
    const int ready = ::poll(&one, 1, left_ms(until));
    if (ready < 0 && errno == EINTR) continue;
    if (ready <= 0) break;
    std::array<char, 64 << 10> buffer{};
    const ssize_t got = ::read(from_, buffer.data(), buffer.size());
    if (got <= 0) {
      ended_ = true;
      break;
    }
    heard_.append(buffer.data(), static_cast<std::size_t>(got));
  }
  return std::nullopt;
}

Ended run_command(const std::vector<std::string>& arguments, int most_ms) {
  std::array<int, 2> up{};
  Ended ended;
  if (::pipe2(up.data(), O_CLOEXEC) != 0) return ended;
  const pid_t pid = start(arguments, -1, -1, up[1]);
  ::close(up[1]);
  constexpr std::size_t kMostSaid = 4000;
  const auto until = Clock::now() + std::chrono::milliseconds(most_ms);
  bool over = pid <= 0;
  while (!over) {
    pollfd one{up[0], POLLIN, 0};
    if (::poll(&one, 1, left_ms(until)) <= 0) {
      ::kill(pid, SIGKILL);
      ended.said = "it took too long and was stopped";
      break;
    }
    std::array<char, 1000> buffer{};
    const ssize_t got = ::read(up[0], buffer.data(), buffer.size());
    over = got <= 0;
    if (got > 0 && ended.said.size() < kMostSaid) {
      ended.said.append(buffer.data(), static_cast<std::size_t>(got));
    }
  }
  ::close(up[0]);
  if (pid <= 0) return ended;
  int state = 0;
  while (::waitpid(pid, &state, 0) < 0 && errno == EINTR) {
  }
  ended.ok = WIFEXITED(state) && WEXITSTATUS(state) == 0;
  const std::string mark = "panecard: ";
  if (ended.said.starts_with(mark)) ended.said.erase(0, mark.size());
  return ended;
}

}  // namespace panecard::app::page
