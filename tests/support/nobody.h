// What happens to a user who may write nowhere, though root runs the tests.
#pragma once

#include <doctest/doctest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <functional>
#include <string>

namespace panecard::support {

/// What `answer` says in a process without root's rights. Where they cannot be given up the test
/// fails: root may write everywhere, and would prove nothing.
inline std::string said_without_rights(const std::function<std::string()>& answer) {
  constexpr unsigned kNobody = 65534;  // Debian's user and group that own no file
  int words[2];
  REQUIRE(::pipe(words) == 0);
  const pid_t child = ::fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    const bool dropped = ::geteuid() != 0 || (::setgid(kNobody) == 0 && ::setuid(kNobody) == 0);
    const std::string text = dropped ? answer() : "";
    (void)!::write(words[1], text.data(), text.size());
    ::_exit(dropped ? 0 : 1);
  }
  ::close(words[1]);
  std::string said;
  for (char c = 0; ::read(words[0], &c, 1) == 1;) said += c;
  ::close(words[0]);
  int state = 0;
  ::waitpid(child, &state, 0);
  REQUIRE_MESSAGE(state == 0, "root's rights could not be given up");
  return said;
}

}  // namespace panecard::support
