#include "app/program.h"

#include <doctest/doctest.h>
#include <fcntl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cstdlib>

#include "support/folder.h"

namespace panecard::tests {

using support::bytes_of;
using support::Folder;

Run panecard_with(std::vector<std::string> arguments) {
  const Folder log;
  const std::string out = log / "out", err = log / "err";
  arguments.insert(arguments.begin(), PANECARD_PROGRAM);
  std::vector<char*> argv;
  argv.reserve(arguments.size() + 1);
  for (std::string& argument : arguments) argv.push_back(argument.data());
  argv.push_back(nullptr);
  const pid_t child = ::fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    ::setenv("XDG_DATA_HOME", log.path().c_str(), 1);
    ::alarm(300);  // a hang is a failure, not a stuck build
    ::dup2(::open(out.c_str(), O_CREAT | O_WRONLY, 0600), STDOUT_FILENO);
    ::dup2(::open(err.c_str(), O_CREAT | O_WRONLY, 0600), STDERR_FILENO);
    ::execv(PANECARD_PROGRAM, argv.data());
    ::_exit(127);
  }
  int state = 0;
  ::waitpid(child, &state, 0);
  return {WIFEXITED(state) ? WEXITSTATUS(state) : -1, bytes_of(out), bytes_of(err)};
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
