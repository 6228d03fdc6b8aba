// All commands, for what `panecard` does not do itself.
#include <glog/logging.h>

#include "app/start.h"

int main(int argc, char** argv) {
  using namespace panecard::app;
  FLAGS_minloglevel =
      google::GLOG_FATAL;  // Ceres reports by itself; our one line is to be the only one
  return run_program(argc, argv, [](CLI::App& root, Outcome& outcome, auto& answer) {
    add_measure(root, outcome);
    add_check(root, outcome, answer);
    add_piece(root, outcome);
    add_roll(root, outcome);
    add_job(root, outcome);
    add_card(root, outcome);
    add_lens(root, outcome);
    add_library(root, outcome, answer);
    add_batch(root, outcome, answer);
    add_serve(root, outcome);
  });
}
