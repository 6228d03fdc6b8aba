// Loaded before the C library: writing to ordinary files fails as on a full disk once as many bytes
// were written as PANECARD_DISK_BYTES says. Needs no rights and no disk of its own.
#include <dlfcn.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>

namespace {

long bytes_left() {
  const char* text = std::getenv("PANECARD_DISK_BYTES");
  return text != nullptr ? std::atol(text) : 0;
}

/// Standard output and error go on: what the program says is part of the test.
bool has_room(int file, std::size_t bytes) {
  static long left = bytes_left();
  struct stat info {};
  if (file <= STDERR_FILENO || ::fstat(file, &info) != 0 || !S_ISREG(info.st_mode)) return true;
  if (static_cast<long>(bytes) > left) {
    errno = ENOSPC;
    return false;
  }
  left -= static_cast<long>(bytes);
  return true;
}

template <typename Call>
Call next(const char* name) {
  return reinterpret_cast<Call>(::dlsym(RTLD_NEXT, name));
}

}  // namespace

extern "C" {

ssize_t write(int file, const void* bytes, size_t size) {
  static const auto call = next<ssize_t (*)(int, const void*, size_t)>("write");
  return has_room(file, size) ? call(file, bytes, size) : -1;
}

ssize_t pwrite(int file, const void* bytes, size_t size, off_t at) {
  static const auto call = next<ssize_t (*)(int, const void*, size_t, off_t)>("pwrite");
  return has_room(file, size) ? call(file, bytes, size, at) : -1;
}

ssize_t pwrite64(int file, const void* bytes, size_t size, off64_t at) {
  static const auto call = next<ssize_t (*)(int, const void*, size_t, off64_t)>("pwrite64");
  return has_room(file, size) ? call(file, bytes, size, at) : -1;
}
}
