#include "base/base.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <charconv>
#include <chrono>
#include <cmath>
#include <csignal>
#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <numeric>
#include <system_error>

namespace panecard {
namespace {

constexpr double kMmPerInch = 25.4;
constexpr const char* kUnfinished = ".unfinished";

std::string reason(int error_number) { return std::generic_category().message(error_number); }

Error unwritable(const std::string& path, int error_number) {
  return {Code::unwritable_file,
          "cannot write '" + path + "': " + reason(error_number) +
              "; choose a folder that exists, may be written to and has room"};
}

/// A file descriptor that closes itself; close() reports what the destructor would have to swallow.
class Descriptor {
 public:
  explicit Descriptor(int fd) : fd_(fd) {}
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  ~Descriptor() {
    if (fd_ >= 0) ::close(fd_);
  }
  int get() const { return fd_; }
  bool close() { return ::close(std::exchange(fd_, -1)) == 0; }

 private:
  int fd_;
};

bool write_all(int fd, std::string_view bytes) {
  while (!bytes.empty()) {
    const ssize_t n = ::write(fd, bytes.data(), bytes.size());
    if (n < 0 && errno == EINTR) continue;
    if (n < 0) return false;
    bytes.remove_prefix(static_cast<std::size_t>(n));
  }
  return true;
}

/// Pipes and devices cannot be replaced by a rename: /dev/stdout must stay what it is.
Result<std::size_t> write_through(const std::string& path, std::string_view bytes) {
  Descriptor out(::open(path.c_str(), O_WRONLY | O_CLOEXEC | O_NONBLOCK));
  if (out.get() < 0) return unwritable(path, errno);
  const int flags = ::fcntl(out.get(), F_GETFL);
  if (flags >= 0) ::fcntl(out.get(), F_SETFL, flags & ~O_NONBLOCK);
  if (!write_all(out.get(), bytes)) return unwritable(path, errno);
  if (!out.close()) return unwritable(path, errno);
  return bytes.size();
}

/// Creates a new file (O_EXCL) in the folder of `target`, so that the rename stays on one
/// disk.
int open_beside(const std::string& target, std::string& name) {
  for (int attempt = 0; attempt < 1000; ++attempt) {
    name = aside_name(target) + "-" + std::to_string(attempt);
    const int fd = ::open(name.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    if (fd >= 0 || errno != EEXIST) return fd;
  }
  errno = EEXIST;
  return -1;
}

}  // namespace

std::string to_text(double value, int decimals) {
  if (std::isnan(value)) return "nan";
  if (std::isinf(value)) return value > 0 ? "inf" : "-inf";
  std::array<char, 400> buffer{};  // the longest double has 309 digits before the point
  const auto end = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value,
                                 std::chars_format::fixed, std::clamp(decimals, 0, 30));
  std::string text(buffer.data(), end.ptr);
  if (text.find('.') != std::string::npos) {
    text.erase(text.find_last_not_of('0') + 1);
    if (text.back() == '.') text.pop_back();
  }
  return text == "-0" ? "0" : text;
}

std::string to_sixteenths(double mm) {
  const double exact = std::round(mm / kMmPerInch * 16);
  if (!(std::abs(exact) < 1e15)) return to_text(mm / kMmPerInch, 4);  // no fraction is left in it
  const long long sixteenths = std::llabs(std::llround(exact));
  const long long whole = sixteenths / 16, rest = sixteenths % 16;
  const std::string sign = exact < 0 ? "-" : "";
  if (rest == 0) return sign + std::to_string(whole);
  const long long divisor = std::gcd(rest, 16LL);
  const std::string fraction = std::to_string(rest / divisor) + "/" + std::to_string(16 / divisor);
  return sign + (whole > 0 ? std::to_string(whole) + " " : "") + fraction;
}

Result<std::size_t> write_file(const std::string& path, std::string_view bytes) {
  struct stat before {};
  const bool exists = ::stat(path.c_str(), &before) == 0;
  if (exists && S_ISDIR(before.st_mode)) return unwritable(path, EISDIR);
  if (exists && !S_ISREG(before.st_mode)) return write_through(path, bytes);
  if (exists && ::access(path.c_str(), W_OK) != 0) return unwritable(path, errno);

  std::string target = path;
  if (char* const resolved = exists ? ::realpath(path.c_str(), nullptr) : nullptr) {
    target = resolved;  // a link keeps pointing where it pointed
    std::free(resolved);
  }
  std::string part;
  Descriptor out(open_beside(target, part));
  if (out.get() < 0) return unwritable(path, errno);
  const bool written = write_all(out.get(), bytes) &&
                       (!exists || ::fchmod(out.get(), before.st_mode & 07777) == 0) &&
                       out.close() && ::rename(part.c_str(), target.c_str()) == 0;
  if (written) return bytes.size();
  const int why = errno;
  ::unlink(part.c_str());
  return unwritable(path, why);
}

bool on_disk(const std::string& path) {
  const Descriptor file(::open(path.c_str(), O_RDONLY | O_CLOEXEC));
  return file.get() >= 0 && ::fsync(file.get()) == 0;
}

std::string aside_name(const std::string& path) {
  return path + kUnfinished + std::to_string(::getpid());
}

void remove_leftovers(const std::string& path) {
  // Another computer on the same disk has processes of its own, and is not as slow as that.
  constexpr auto kSurelyOver = std::chrono::minutes(1);
  namespace fs = std::filesystem;
  std::error_code trouble;
  const fs::path target = fs::absolute(path, trouble);
  const std::string start = target.filename().string() + kUnfinished;
  for (const auto& entry : fs::directory_iterator(target.parent_path(), trouble)) {
    const std::string name = entry.path().filename().string();
    if (!name.starts_with(start)) continue;
    int process = 0;
    const char* const digits = name.data() + start.size();
    const auto read = std::from_chars(digits, name.data() + name.size(), process);
    if (read.ec != std::errc() || process <= 0) continue;
    if (::kill(process, 0) == 0 || errno != ESRCH) continue;
    std::error_code ignored;
    if (!fs::is_regular_file(entry.symlink_status(ignored))) continue;
    const auto age = fs::file_time_type::clock::now() - entry.last_write_time(ignored);
    if (!ignored && age > kSurelyOver) fs::remove(entry.path(), ignored);
  }
}

Result<std::string> read_file(const std::string& path, std::size_t max_bytes) {
  const auto unreadable = [&](const std::string& why) {
    return Error{Code::unreadable_file, "cannot read '" + path + "': " + why};
  };
  const auto too_large = [&] {
    return Error{Code::too_large, "'" + path + "' is larger than the limit of " +
                                      std::to_string(max_bytes) + " bytes; give a smaller file"};
  };
  // Non-blocking, because opening a pipe nobody writes to would wait for ever.
  const Descriptor in(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK));
  if (in.get() < 0) return unreadable(reason(errno) + "; check the name");
  struct stat info {};
  if (::fstat(in.get(), &info) != 0) return unreadable(reason(errno));
  if (S_ISDIR(info.st_mode)) return unreadable("it is a folder; name a file in it");
  if (!S_ISREG(info.st_mode)) return unreadable("it is not an ordinary file; save it to one first");
  if (static_cast<std::uintmax_t>(info.st_size) > max_bytes) return too_large();

  std::string bytes;
  bytes.resize(static_cast<std::size_t>(info.st_size) +
               1);  // one more shows whether it still grows
  std::size_t used = 0;
  for (;;) {
    const ssize_t n = ::read(in.get(), bytes.data() + used, bytes.size() - used);
    if (n < 0 && errno == EINTR) continue;
    if (n < 0) return unreadable(reason(errno));
    if (n == 0) break;
    used += static_cast<std::size_t>(n);
    if (used > max_bytes) return too_large();
    if (used == bytes.size()) bytes.resize(2 * bytes.size());
  }
  bytes.resize(used);
  return bytes;
}

std::string_view name_of(Code code) {
  switch (code) {
    case Code::bad_usage:
      return "bad_usage";
    case Code::unreadable_file:
      return "unreadable_file";
    case Code::too_large:
      return "too_large";
    case Code::unwritable_file:
      return "unwritable_file";
    case Code::card_not_found:
      return "card_not_found";
    case Code::card_cut_off:
      return "card_cut_off";
    case Code::cards_disagree:
      return "cards_disagree";
    case Code::too_blurred:
      return "too_blurred";
    case Code::plane_too_uncertain:
      return "plane_too_uncertain";
    case Code::boundary_not_seen:
      return "boundary_not_seen";
    case Code::degenerate_shape:
      return "degenerate_shape";
    case Code::poses_too_alike:
      return "poses_too_alike";
    case Code::too_few_photos:
      return "too_few_photos";
    case Code::does_not_fit:
      return "does_not_fit";
  }
  return {};
}

std::optional<Code> code_named(std::string_view name) {
  for (int i = 0; i <= static_cast<int>(Code::does_not_fit); ++i) {
    if (name_of(static_cast<Code>(i)) == name) return static_cast<Code>(i);
  }
  return std::nullopt;
}

}  // namespace panecard
