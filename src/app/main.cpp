#include <glog/logging.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <exception>
#include <new>
#include <opencv2/core.hpp>
#include <opencv2/core/utils/logger.hpp>

#include "app/app.h"

namespace {

using panecard::Code;
using panecard::Error;

/// Libraries report on standard error by themselves; our one line is to be the only one.
void silence_libraries() {
  cv::utils::logging::setLogLevel(cv::utils::logging::LOG_LEVEL_SILENT);
  cv::redirectError([](int, const char*, const char*, const char*, int, void*) { return 0; });
  FLAGS_minloglevel = google::GLOG_FATAL;
}

int fail(const Error& error) {
  std::fprintf(stderr, "panecard: %s\n", panecard::app::one_line(error.detail).c_str());
  return panecard::app::exit_status(error.code);
}

int run(int argc, char** argv) {
  panecard::app::Outcome outcome;
  CLI::App root("One photo of a vehicle's pane with a reference card on it: its outline in mm.",
                "panecard");
  root.require_subcommand(1);
  root.set_version_flag("--version", "panecard " PANECARD_VERSION);
  panecard::app::add_measure(root, outcome);
  panecard::app::add_card(root, outcome);
  panecard::app::add_lens(root, outcome);
  try {
    root.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    if (e.get_exit_code() == static_cast<int>(CLI::ExitCodes::Success)) return root.exit(e);
    return fail({Code::bad_usage, std::string(e.what()) + "; see panecard --help"});
  }
  return outcome ? fail(*outcome) : 0;
}

}  // namespace

int main(int argc, char** argv) {
  silence_libraries();
  try {
    return run(argc, argv);
  } catch (const std::bad_alloc&) {
    return fail({Code::too_large, "out of memory; give a smaller photo"});
  } catch (const std::exception& e) {
    return fail({Code::degenerate_shape,
                 std::string("gave up: ") + e.what() + "; take another photo and report this one"});
  }
}
