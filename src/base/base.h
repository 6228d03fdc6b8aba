// Shared by all rooms: errors and findings, numbers to text, reading and writing files.
#pragma once

#include <cstddef>
#include <functional>
#include <future>
#include <optional>
#include <stdexcept>
#include <string>
#include <string_view>
#include <system_error>
#include <type_traits>
#include <utility>
#include <variant>
#include <vector>

namespace panecard {

/// Codes of all errors that input or environment can cause. app/ switches over them without a
/// default, so that under -Werror=switch a new code needs an exit status before it compiles.
enum class Code {
  bad_usage,        ///< an option that makes no sense, with what would
  unreadable_file,  ///< no such file, a directory, truncated, not what it claims to be
  too_large,        ///< over the stated bound of bytes or pixels
  unwritable_file,  ///< the output could not be written; nothing was left behind
  card_not_found,   ///< no card that we can read
  card_cut_off,     ///< a card reaches over the edge of the photo
  cards_disagree,   ///< the cards contradict each other: bent, wrong print scale, not on one pane
  too_blurred,      ///< edges too soft to measure
  plane_too_uncertain,  ///< too oblique or too few points
  boundary_not_seen,    ///< too much of the boundary is not visible, or no closed boundary
  degenerate_shape,     ///< geometry that has no answer (coincident points and so on)
  poses_too_alike,      ///< lens calibration: the parameters are not separable
  too_few_photos,       ///< lens calibration
  does_not_fit,         ///< a piece is wider than the film, or longer than what is left of it
};

std::string_view name_of(Code code);  ///< "card_not_found", for machines
std::optional<Code> code_named(std::string_view name);

struct Error {
  Code code;
  std::string detail;  ///< what, where and what to do, one line, numbers with units
};

/// A value, or why there is none. (std::expected is C++23.)
template <typename T>
class [[nodiscard]] Result {  // constructors are implicit so that `return Error{...};` reads well
 public:
  Result(T value) : state_(std::move(value)) {}      // NOLINT(google-explicit-constructor)
  Result(Error error) : state_(std::move(error)) {}  // NOLINT(google-explicit-constructor)
  bool ok() const { return std::holds_alternative<T>(state_); }
  const T& value() const& { return std::get<T>(state_); }  // without ok() this is a bug: it throws
  T& value() & { return std::get<T>(state_); }
  T value() && { return std::get<T>(std::move(state_)); }
  const T* operator->() const { return &value(); }
  const Error& error() const { return std::get<Error>(state_); }

 private:
  std::variant<T, Error> state_;
};

/// Units of displayed lengths; internally all are millimetres.
enum class Units { mm, inch };

/// Runs `work` in another thread, or deferred until get() when there is no spare core or no thread
/// can be started. References in `work` must outlive the future.
template <typename Work>
std::future<std::invoke_result_t<Work>> run_async(bool spare_core, Work work) {
  if (spare_core) {
    try {
      return std::async(std::launch::async, work);
    } catch (const std::system_error&) {  // deferred below
    }
  }
  return std::async(std::launch::deferred, std::move(work));
}

/// A warning that accompanies a result instead of replacing it by an error.
struct Finding {
  std::string code;  ///< stable, snake_case: "lens_unknown"
  std::string text;  ///< one sentence for a person, with numbers and what to do
};

/// Shortest fixed-point text of `value` with at most `decimals` decimals; locale-free. "-0" becomes
/// "0".
std::string to_text(double value, int decimals);

/// Millimetres as inches to the nearest 1/16: 501.7 -> "19 3/4".
std::string to_sixteenths(double mm);

// Text from files is untrusted: these make it safe for one line, XML and ASCII formats.

/// Valid UTF-8 on one line, without control, line-separating or direction-changing characters, cut
/// to `most` characters with an ellipsis.
std::string clean(std::string_view text, std::size_t most);

/// `clean` text with the five characters that XML reserves escaped.
std::string xml(std::string_view text);

/// Printable ASCII on one line; anything else is a question mark. For DXF R12.
std::string ascii(std::string_view text, std::size_t most);

std::size_t count_characters(std::string_view utf8);
std::string pad_left(const std::string& s, std::size_t width);
std::string pad_right(const std::string& s, std::size_t width);

/// Fixed number of decimals, locale-free; "?" for values of 1e12 or more and for NaN.
std::string fixed(double value, int decimals);

/// Breaks at spaces into lines that fit; a word longer than a line is broken where it must be.
std::vector<std::string> wrap(const std::string& text, std::size_t most_lines,
                              const std::function<bool(const std::string&)>& fits);

/// Atomic: writes a temporary file in the folder of `path` and renames it.
/// @retval Code::unwritable_file  the folder is missing, read-only or full; nothing is left behind.
Result<std::size_t> write_file(const std::string& path, std::string_view bytes);

/// Waits until a file's bytes, or the names in a folder, would outlast a power cut.
bool on_disk(const std::string& path);

/// The name for what is written aside and then put in place of `path`; it tells the process.
std::string aside_name(const std::string& path);

/// Removes what processes that have ended left under such names beside `path`.
void remove_leftovers(const std::string& path);

/// Reads a whole file. @retval unreadable_file (missing, a directory) or too_large.
Result<std::string> read_file(const std::string& path, std::size_t max_bytes);

}  // namespace panecard
