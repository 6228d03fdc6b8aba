#include <tiffio.h>

#include <algorithm>
#include <cstdio>
#include <cstring>
#include <memory>
#include <opencv2/imgproc.hpp>

#include "photo/decode.h"
#include "photo/exif.h"

namespace panecard::photo {
namespace {

/// libtiff reads from here; bounds are checked in read() and map().
struct Source {
  std::string_view bytes;
  std::size_t at = 0;
};

Source& source_of(thandle_t handle) { return *static_cast<Source*>(handle); }

tmsize_t read(thandle_t handle, void* to, tmsize_t size) {
  Source& source = source_of(handle);
  const std::size_t left = source.bytes.size() - std::min(source.at, source.bytes.size());
  const std::size_t count = std::min(left, static_cast<std::size_t>(std::max<tmsize_t>(size, 0)));
  if (count > 0) std::memcpy(to, source.bytes.data() + source.at, count);
  source.at += count;
  return static_cast<tmsize_t>(count);
}

tmsize_t write(thandle_t, void*, tmsize_t) { return 0; }

toff_t seek(thandle_t handle, toff_t offset, int whence) {
  Source& source = source_of(handle);
  if (whence == SEEK_SET) source.at = offset;
  if (whence == SEEK_CUR) source.at += offset;
  if (whence == SEEK_END) source.at = source.bytes.size() + offset;
  return source.at;
}

int close(thandle_t) { return 0; }

toff_t size(thandle_t handle) { return source_of(handle).bytes.size(); }

/// The first complaint is the one that matters.
int keep_message(TIFF*, void* to, const char*, const char* format, va_list values) {
  auto& text = *static_cast<std::string*>(to);
  if (!text.empty()) return 1;
  char line[200];
  if (std::vsnprintf(line, sizeof line, format, values) > 0) text = line;
  return 1;
}

int drop_message(TIFF*, void*, const char*, const char*, va_list) { return 1; }

std::unique_ptr<TIFF, decltype(&TIFFClose)> open(Source& source, std::string& message) {
  const std::unique_ptr<TIFFOpenOptions, decltype(&TIFFOpenOptionsFree)> options(
      TIFFOpenOptionsAlloc(), TIFFOpenOptionsFree);
  constexpr tmsize_t kMaxAllocation = tmsize_t{1} << 30;  // 200 MP of RGBA are 0.8e9 bytes
  TIFFOpenOptionsSetMaxSingleMemAlloc(options.get(), kMaxAllocation);
  TIFFOpenOptionsSetErrorHandlerExtR(options.get(), keep_message, &message);
  TIFFOpenOptionsSetWarningHandlerExtR(options.get(), drop_message, nullptr);
  // "m": no memory mapping, every access goes through read().
  return {TIFFClientOpenExt("photo", "rm", &source, read, write, seek, close, size, nullptr,
                            nullptr, options.get()),
          TIFFClose};
}

/// Frees what TIFFRGBAImageBegin filled.
struct RgbaReader {
  TIFFRGBAImage state{};
  bool open = false;
  ~RgbaReader() {
    if (open) TIFFRGBAImageEnd(&state);
  }
};

}  // namespace

Result<Decoded> decode_tiff(std::string_view bytes) {
  Source source{bytes};
  std::string message;
  const auto file = open(source, message);
  if (!file) return damaged("TIFF", message);
  std::uint32_t width = 0, height = 0;
  TIFFGetField(file.get(), TIFFTAG_IMAGEWIDTH, &width);
  TIFFGetField(file.get(), TIFFTAG_IMAGELENGTH, &height);
  if (auto problem = size_problem(width, height)) return *problem;

  RgbaReader reader;
  char reason[1024] = "";
  constexpr int kStopOnError = 1;
  reader.open = TIFFRGBAImageBegin(&reader.state, file.get(), kStopOnError, reason) != 0;
  if (!reader.open) return damaged("TIFF", reason);
  // As stored: libtiff would flip, but not turn; load() does both.
  reader.state.req_orientation = reader.state.orientation;
  cv::Mat rgba(static_cast<int>(height), static_cast<int>(width), CV_8UC4);
  if (TIFFRGBAImageGet(&reader.state, rgba.ptr<std::uint32_t>(), width, height) == 0 ||
      !message.empty()) {
    return damaged("TIFF", message);
  }
  Decoded picture;
  picture.exif = read_exif(bytes);
  cv::cvtColor(rgba, picture.bgr, cv::COLOR_RGBA2BGR);
  return picture;
}

}  // namespace panecard::photo
