#include "app/program.h"

#include <doctest/doctest.h>
#include <fcntl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <csignal>
#include <cstdlib>

namespace panecard::tests {

using support::bytes_of;

Program::Program(std::vector<std::string> arguments, std::optional<long> disk_bytes) {
  const std::string out = log_ / "out", err = log_ / "err";
  arguments.insert(arguments.begin(), PANECARD_PROGRAM);
  std::vector<char*> argv;
  argv.reserve(arguments.size() + 1);
  for (std::string& argument : arguments) argv.push_back(argument.data());
  argv.push_back(nullptr);
  id_ = ::fork();
  REQUIRE(id_ >= 0);
  if (id_ != 0) return;
  ::setenv("XDG_DATA_HOME", log_.path().c_str(), 1);
  if (disk_bytes) {
    ::setenv("PANECARD_DISK_BYTES", std::to_string(*disk_bytes).c_str(), 1);
    ::setenv("LD_PRELOAD", PANECARD_FULL_DISK, 1);
    ::setenv("ASAN_OPTIONS", "verify_asan_link_order=0", 1);
  }
  ::alarm(300);  // a hang is a failure, not a stuck build
  ::dup2(::open(out.c_str(), O_CREAT | O_WRONLY, 0600), STDOUT_FILENO);
  ::dup2(::open(err.c_str(), O_CREAT | O_WRONLY, 0600), STDERR_FILENO);
  ::execv(PANECARD_PROGRAM, argv.data());
  ::_exit(127);
}

Program::~Program() {
  if (id_ > 0) kill();
}

std::string Program::said_so_far() const { return bytes_of(log_ / "out"); }

Run Program::wait() {
  int state = 0;
  ::waitpid(id_, &state, 0);
  id_ = -1;
  return {WIFEXITED(state) ? WEXITSTATUS(state) : -1, bytes_of(log_ / "out"),
          bytes_of(log_ / "err")};
}

Run Program::kill() {
  ::kill(id_, SIGKILL);
  return wait();
}

Run panecard_with(std::vector<std::string> arguments) {
  return Program(std::move(arguments)).wait();
}

void check_fails(const Run& run, int status) {
  CAPTURE(run.err);
  CHECK(run.status == status);
  CHECK(run.out.empty());
  CHECK(run.err.starts_with("panecard: "));
  CHECK(std::count(run.err.begin(), run.err.end(), '\n') == 1);
  CHECK(run.err.ends_with('\n'));
}

}  // namespace panecard::tests
