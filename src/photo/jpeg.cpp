// JPEG through libjpeg-turbo itself: cv::imdecode hides its warnings, and with them truncation.
#include <csetjmp>
#include <cstdio>
// The line break keeps the C header below <cstdio>, which it needs and does not include.
#include <jpeglib.h>
// jerror.h holds the message codes.
#include <jerror.h>

#include <algorithm>
#include <array>
#include <opencv2/imgproc.hpp>

#include "photo/decode.h"
#include "photo/exif.h"

namespace panecard::photo {
namespace {

/// Phones write 1 scan, progressive files about 10. Each scan costs a pass over all pixels, so
/// thousands of empty ones would be a bomb.
constexpr int kMaxScans = 100;

/// Rows decoded, then converted to grey while they are in the cache.
constexpr int kBandRows = 64;

/// A second core can start at a row only by unpacking the bits of all rows above it, which is a
/// little over half of the work: from here on both are ready at about the same time.
constexpr double kSecondFrom = 0.68;

struct ErrorManager {
  jpeg_error_mgr base;  // first: libjpeg hands back a pointer to it
  std::jmp_buf escape;
};

[[noreturn]] void on_error(j_common_ptr info) {
  std::longjmp(reinterpret_cast<ErrorManager*>(info->err)->escape, 1);
}

void on_message(j_common_ptr info, int level) {
  const bool warning = level < 0;
  const int code = info->err->msg_code;
  // Stray bytes between segments and odd progressions leave the pixels whole.
  const bool harmless = code == JWRN_EXTRANEOUS_DATA || code == JWRN_BOGUS_PROGRESSION ||
                        code == JWRN_ADOBE_XFORM || code == JWRN_JFIF_MAJOR;
  if (warning && !harmless) on_error(info);
}

void on_progress(j_common_ptr info) {
  const auto* decoder = reinterpret_cast<j_decompress_ptr>(info);
  if (decoder->input_scan_number <= kMaxScans) return;
  info->err->msg_code = JERR_BAD_PROGRESSION;
  on_error(info);
}

/// Every call into libjpeg comes back through setjmp, so no function here that calls it may own
/// anything with a destructor.
class Decoder {
 public:
  Decoder() {
    info_.err = jpeg_std_error(&errors_.base);
    errors_.base.error_exit = on_error;
    errors_.base.emit_message = on_message;
    progress_.progress_monitor = on_progress;
  }
  ~Decoder() { jpeg_destroy_decompress(&info_); }
  Decoder(const Decoder&) = delete;
  Decoder& operator=(const Decoder&) = delete;

  bool read_header(std::string_view bytes) {
    if (setjmp(errors_.escape) != 0) return false;
    jpeg_create_decompress(&info_);
    info_.progress = &progress_;
    jpeg_mem_src(&info_, reinterpret_cast<const unsigned char*>(bytes.data()), bytes.size());
    jpeg_save_markers(&info_, JPEG_APP0 + 1, 0xffff);
    return jpeg_read_header(&info_, TRUE) == JPEG_HEADER_OK;
  }

  bool start() {
    if (setjmp(errors_.escape) != 0) return false;
    info_.out_color_space = JCS_EXT_BGR;
    return jpeg_start_decompress(&info_) == TRUE;
  }

  bool read_rows(unsigned char* first, std::size_t stride, int count) {
    if (setjmp(errors_.escape) != 0) return false;
    JSAMPROW rows[kBandRows];
    for (int i = 0; i < count; ++i) rows[i] = first + static_cast<std::size_t>(i) * stride;
    JDIMENSION done = 0;
    while (done < static_cast<JDIMENSION>(count)) {
      done += jpeg_read_scanlines(&info_, rows + done, static_cast<JDIMENSION>(count) - done);
    }
    return true;
  }

  /// Unpacks rows without making pixels of them.
  bool skip_rows(int count) {
    if (setjmp(errors_.escape) != 0) return false;
    return jpeg_skip_scanlines(&info_, static_cast<JDIMENSION>(count)) ==
           static_cast<JDIMENSION>(count);
  }

  /// Reads up to the end marker: a file that lacks it was cut.
  bool finish() {
    if (setjmp(errors_.escape) != 0) return false;
    return jpeg_finish_decompress(&info_) == TRUE;
  }

  double width() const { return info_.image_width; }
  double height() const { return info_.image_height; }
  bool four_colours() const { return info_.num_components == 4; }
  /// Progressive, for example: no row is complete before the last scan.
  bool many_scans() { return jpeg_has_multiple_scans(&info_) != FALSE; }

  std::string exif_block() const {
    for (auto* marker = info_.marker_list; marker != nullptr; marker = marker->next) {
      const std::string_view data(reinterpret_cast<const char*>(marker->data), marker->data_length);
      if (data.starts_with(std::string_view("Exif\0\0", 6))) return std::string(data);
    }
    return {};
  }

  Error error() {
    char text[JMSG_LENGTH_MAX] = "";
    errors_.base.format_message(reinterpret_cast<j_common_ptr>(&info_), text);
    return damaged("JPEG", text);
  }

 private:
  jpeg_decompress_struct info_{};
  jpeg_progress_mgr progress_{};
  ErrorManager errors_{};
};

/// Rows [rows.start, rows.end) into their place in the picture.
bool read_part(Decoder& decoder, cv::Range rows, Decoded& picture) {
  if (!decoder.start() || (rows.start > 0 && !decoder.skip_rows(rows.start))) return false;
  for (int row = rows.start; row < rows.end; row += kBandRows) {
    const int end = std::min(row + kBandRows, rows.end);
    cv::Mat band = picture.bgr.rowRange(row, end);
    if (!decoder.read_rows(band.data, band.step, end - row)) return false;
    cv::Mat grey = picture.grey.rowRange(row, end);
    cv::cvtColor(band, grey, cv::COLOR_BGR2GRAY);
  }
  return rows.end < picture.bgr.rows || decoder.finish();
}

}  // namespace

Result<Decoded> decode_jpeg(std::string_view bytes) {
  Decoder decoder;
  if (!decoder.read_header(bytes)) return decoder.error();
  if (auto problem = size_problem(decoder.width(), decoder.height())) return *problem;
  if (decoder.four_colours()) {
    return Error{Code::unreadable_file,
                 "it is a JPEG in printing colours (CMYK); give the photo as the phone wrote it"};
  }
  Decoded picture;
  picture.exif = read_exif(decoder.exif_block());
  const int width = static_cast<int>(decoder.width());
  const int height = static_cast<int>(decoder.height());
  picture.bgr.create(height, width, CV_8UC3);
  picture.grey.create(height, width, CV_8UC1);
  const int second = static_cast<int>(kSecondFrom * height) / kBandRows * kBandRows;
  if (second == 0 || decoder.many_scans() || cv::getNumThreads() == 1) {
    if (!read_part(decoder, {0, height}, picture)) return decoder.error();
    return picture;
  }
  Decoder other;
  std::array<char, 2> whole{};
  cv::parallel_for_({0, 2}, [&](const cv::Range& range) {
    for (int part = range.start; part < range.end; ++part) {
      whole[part] = part == 0
                        ? read_part(decoder, {0, second}, picture)
                        : other.read_header(bytes) && read_part(other, {second, height}, picture);
    }
  });
  if (!whole[0]) return decoder.error();
  if (!whole[1]) return other.error();
  return picture;
}

}  // namespace panecard::photo
