#include "fuzz/fuzz.h"

#include <sys/mman.h>
#include <unistd.h>

#include <cstdio>
#include <cstdlib>
#include <stdexcept>

namespace panecard::fuzz {

void promise(bool kept, const char* what) {
  if (kept) return;
  std::fprintf(stderr, "broken promise: %s\n", what);
  std::abort();
}

File::File(std::string_view bytes) : fd_(::memfd_create("fuzz", MFD_CLOEXEC)) {
  const auto size = static_cast<ssize_t>(bytes.size());
  if (fd_ < 0 || ::write(fd_, bytes.data(), bytes.size()) != size) {
    throw std::runtime_error("no file in memory");
  }
}
File::~File() { ::close(fd_); }
std::string File::path() const { return "/proc/self/fd/" + std::to_string(fd_); }

}  // namespace panecard::fuzz
