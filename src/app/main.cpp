// Measures. What calibrates, lays out, cuts, keeps and serves brings two dozen libraries more,
// whose loading takes a twentieth of the time of a measurement: that is a program of its own beside
// this one.
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <string>
#include <string_view>
#include <system_error>

#include "app/start.h"

namespace {

constexpr std::array<std::string_view, 2> kOwn{"measure", "card"};

/// Goes on as the program that knows all commands; comes back only when it cannot.
int hand_over(char** argv) {
  std::error_code lost;
  const auto self = std::filesystem::read_symlink("/proc/self/exe", lost);
  const std::string whole = (self.parent_path() / PANECARD_WHOLE).string();
  if (!lost) execv(whole.c_str(), argv);
  const std::string why = lost ? lost.message() : std::strerror(errno);
  std::fprintf(stderr, "panecard: %s\n",
               panecard::app::one_line("cannot start '" + whole + "': " + why +
                                       "; build or install panecard again")
                   .c_str());
  return panecard::app::exit_status(panecard::Code::unreadable_file);
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 2 || std::find(kOwn.begin(), kOwn.end(), argv[1]) == kOwn.end()) {
    return hand_over(argv);
  }
  return panecard::app::run_program(
      argc, argv, [](CLI::App& root, panecard::app::Outcome& outcome, auto& /*answer*/) {
        panecard::app::add_measure(root, outcome);
        panecard::app::add_card(root, outcome);
      });
}
