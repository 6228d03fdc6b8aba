// The built program as a script sees it.
#pragma once

#include <string>
#include <vector>

namespace panecard::tests {

struct Run {
  int status = -1;
  std::string out, err;
};

/// In an environment without the profiles and allowances of whoever runs the tests.
Run panecard_with(std::vector<std::string> arguments);

/// One line on standard error, nothing on standard output.
void check_fails(const Run& run, int status);

}  // namespace panecard::tests
