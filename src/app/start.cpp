#include "app/start.h"

#include <malloc.h>
#include <sys/mman.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <new>
#include <opencv2/core.hpp>
#include <opencv2/core/utils/logger.hpp>

namespace panecard::app {
namespace {

/// Libraries report on standard error by themselves; our one line is to be the only one.
void silence_libraries() {
  cv::utils::logging::setLogLevel(cv::utils::logging::LOG_LEVEL_SILENT);
  cv::redirectError([](int, const char*, const char*, const char*, int, void*) { return 0; });
}

/// A fresh page costs more than what is computed on it. One heap, kept until the end, hands out the
/// same pages again and may have them large; see docs/trace.md for hosts where that is dear.
void keep_memory() {
#ifdef __GLIBC__
  constexpr int kReserve = 192 << 20;
  mallopt(M_MMAP_MAX, 0);
  mallopt(M_ARENA_MAX, 1);
  mallopt(M_TRIM_THRESHOLD, kReserve);
  mallopt(M_TOP_PAD, kReserve);
  constexpr std::uintptr_t kHuge = 2U << 20;
  const auto over = [](const std::byte* p) { return reinterpret_cast<std::uintptr_t>(p) % kHuge; };
  auto* start = static_cast<std::byte*>(sbrk(0));
  start += (kHuge - over(start)) % kHuge;
  void* volatile first = std::malloc(kHuge);  // volatile: else the pair is optimised away
  auto* end = static_cast<std::byte*>(sbrk(0));
  end -= over(end);
  if (end > start) madvise(start, static_cast<std::size_t>(end - start), MADV_HUGEPAGE);
  std::free(first);
#endif
}

int say(const std::string& sentence, int status) {
  std::fprintf(stderr, "panecard: %s\n", one_line(sentence).c_str());
  return status;
}

int fail(const Error& error, bool name_it = false) {
  const std::string name = name_it ? std::string(name_of(error.code)) + ": " : std::string();
  return say(name + error.detail, exit_status(error.code));
}

int run(int argc, char** argv, const AddCommands& add) {
  Outcome outcome;
  std::optional<Answer> answer;
  CLI::App root("One photo of a vehicle's pane with a reference card on it: its outline in mm.",
                "panecard");
  root.require_subcommand(1);
  root.set_version_flag("--version", "panecard " PANECARD_VERSION);
  bool name_errors = false;
  root.add_flag(kNameErrors, name_errors)->group("");  // hidden
  add(root, outcome, answer);
  try {
    root.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    if (e.get_exit_code() == static_cast<int>(CLI::ExitCodes::Success)) return root.exit(e);
    return fail({Code::bad_usage, std::string(e.what()) + "; see panecard --help"}, name_errors);
  }
  if (outcome) return fail(*outcome, name_errors);
  return answer ? say(answer->sentence, answer->status) : 0;
}

}  // namespace

int run_program(int argc, char** argv, const AddCommands& add) {
  keep_memory();
  silence_libraries();
  try {
    return run(argc, argv, add);
  } catch (const std::bad_alloc&) {
    return fail({Code::too_large, "out of memory; give a smaller photo"});
  } catch (const std::exception& e) {
    return fail({Code::degenerate_shape,
                 std::string("gave up: ") + e.what() + "; take another photo and report this one"});
  }
}

}  // namespace panecard::app
