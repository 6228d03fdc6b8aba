#include "app/picture_file.h"

#include <csetjmp>
#include <cstdio>
#include <cstdlib>
// The line break keeps the C header below <cstdio>, which it needs and does not include.
#include <jpeglib.h>
#include <png.h>

namespace panecard::app {
namespace {

struct ErrorManager {
  jpeg_error_mgr base;  // first: libjpeg hands back a pointer to it
  std::jmp_buf escape;
};

[[noreturn]] void on_error(j_common_ptr info) {
  std::longjmp(reinterpret_cast<ErrorManager*>(info->err)->escape, 1);
}

class JpegEncoder {
 public:
  JpegEncoder() {
    info_.err = jpeg_std_error(&errors_.base);
    errors_.base.error_exit = on_error;
  }
  ~JpegEncoder() {
    jpeg_destroy_compress(&info_);
    std::free(bytes_);
  }
  JpegEncoder(const JpegEncoder&) = delete;
  JpegEncoder& operator=(const JpegEncoder&) = delete;

  /// Comes back through setjmp: nothing in here may own anything with a destructor.
  bool run(const unsigned char* first, std::size_t stride, int width, int height, int quality) {
    if (setjmp(errors_.escape) != 0) return false;
    jpeg_create_compress(&info_);
    jpeg_mem_dest(&info_, &bytes_, &size_);
    info_.image_width = static_cast<JDIMENSION>(width);
    info_.image_height = static_cast<JDIMENSION>(height);
    info_.input_components = 3;
    info_.in_color_space = JCS_EXT_BGR;
    jpeg_set_defaults(&info_);
    jpeg_set_quality(&info_, quality, TRUE);
    jpeg_start_compress(&info_, TRUE);
    while (info_.next_scanline < info_.image_height) {
      JSAMPROW row = const_cast<JSAMPROW>(first + info_.next_scanline * stride);
      jpeg_write_scanlines(&info_, &row, 1);
    }
    jpeg_finish_compress(&info_);
    return true;
  }

  std::string bytes() const { return {reinterpret_cast<const char*>(bytes_), size_}; }

 private:
  jpeg_compress_struct info_{};
  ErrorManager errors_{};
  unsigned char* bytes_ = nullptr;
  unsigned long size_ = 0;
};

}  // namespace

std::string to_jpeg(const cv::Mat& bgr, int quality) {
  CV_Assert(bgr.type() == CV_8UC3 && !bgr.empty());
  JpegEncoder encoder;
  return encoder.run(bgr.data, bgr.step, bgr.cols, bgr.rows, quality) ? encoder.bytes() : "";
}

std::string to_png(const cv::Mat& bgr) {
  CV_Assert(bgr.type() == CV_8UC3 && !bgr.empty());
  png_image image{};
  image.version = PNG_IMAGE_VERSION;
  image.width = static_cast<png_uint_32>(bgr.cols);
  image.height = static_cast<png_uint_32>(bgr.rows);
  image.format = PNG_FORMAT_BGR;
  const auto stride = static_cast<png_int_32>(bgr.step);
  std::string bytes(PNG_IMAGE_PNG_SIZE_MAX(image), '\0');
  png_alloc_size_t size = bytes.size();
  const bool done =
      png_image_write_to_memory(&image, bytes.data(), &size, 0, bgr.data, stride, nullptr) != 0;
  bytes.resize(done ? size : 0);
  return bytes;
}

}  // namespace panecard::app
