// What `panecard` and the program beside it have in common: memory, silence of the libraries, one
// line for what went wrong.
#pragma once

#include <functional>

#include "app/app.h"

namespace panecard::app {

/// Adds the subcommands of a program.
using AddCommands =
    std::function<void(CLI::App& root, Outcome& outcome, std::optional<Answer>& answer)>;

/// @return  the exit status
int run_program(int argc, char** argv, const AddCommands& add);

}  // namespace panecard::app
