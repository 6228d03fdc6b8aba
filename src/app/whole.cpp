// All commands, for what `panecard` does not do itself.
#include <glog/logging.h>

#include "app/start.h"

int main(int argc, char** argv) {
  // Ceres reports by itself; our one line is to be the only one.
  FLAGS_minloglevel = google::GLOG_FATAL;
  namespace app = panecard::app;
  return app::run_program(argc, argv, [](CLI::App& root, app::Outcome& outcome, auto& answer) {
    app::add_measure(root, outcome);
    app::add_check(root, outcome, answer);
    app::add_piece(root, outcome);
    app::add_roll(root, outcome);
    app::add_job(root, outcome);
    app::add_card(root, outcome);
    app::add_lens(root, outcome);
    app::add_library(root, outcome, answer);
    app::add_batch(root, outcome, answer);
    app::add_serve(root, outcome);
  });
}
