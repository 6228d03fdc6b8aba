// The commands behind `panecard`: options into calls of the rooms, results into files and text.
// Only here anything is printed, and only main() exits.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "base/base.h"

namespace CLI {
class App;
}

namespace panecard::app {

/// What a command ends with: nothing, or why it failed.
using Outcome = std::optional<Error>;

/// A check that was made and does not say yes: what it leaves on standard error and as status.
struct Answer {
  int status = 0;  ///< 1: no. 3: the uncertainty leaves it open
  std::string sentence;
};

/// Each adds one subcommand that leaves its outcome in `outcome` when it was asked for.
void add_measure(CLI::App& root, Outcome& outcome);
void add_check(CLI::App& root, Outcome& outcome, std::optional<Answer>& answer);
void add_piece(CLI::App& root, Outcome& outcome);
void add_roll(CLI::App& root, Outcome& outcome);
void add_job(CLI::App& root, Outcome& outcome);
void add_card(CLI::App& root, Outcome& outcome);
void add_lens(CLI::App& root, Outcome& outcome);
void add_library(CLI::App& root, Outcome& outcome, std::optional<Answer>& answer);
void add_batch(CLI::App& root, Outcome& outcome, std::optional<Answer>& answer);
void add_serve(CLI::App& root, Outcome& outcome);

/// Before a command: errors say their code first, for the program that started this one.
inline constexpr const char* kNameErrors = "--name-errors";

/// 2: the command or a file is wrong. 3: the photo cannot be measured.
int exit_status(Code code);

/// Says how far long work is, on a terminal only; an empty text wipes the line.
void show_progress(const std::string& text);

/// Control characters and line ends as blanks: names and library texts may hold anything.
std::string one_line(std::string text);

/// Files of one command: all are written or none is.
class Outputs {
 public:
  /// Plans a file. @retval unwritable_file when it is clear already that it can't be written.
  /// @param inputs  files that must not be overwritten; may be empty.
  Outcome plan(const std::string& path, const std::vector<std::string>& inputs);
  /// What a planned file shall hold.
  void set(const std::string& path, std::string bytes);
  /// Writes all aside, then `stdout_text`, then puts all in place.
  Outcome write(const std::string& stdout_text);
  /// Writes all aside, puts all in place and on the disk, then prints: what was said is done.
  Outcome commit(const std::string& stdout_text);

 private:
  class Asides;
  Outcome write_aside(Asides& asides) const;
  Outcome put_in_place(Asides& asides) const;

  struct File {
    std::string path, bytes;
  };
  std::vector<File> files_;
};

/// The lower-case ending of a file's name that chooses its format: ".pdf".
std::string ending(const std::string& path);

}  // namespace panecard::app
