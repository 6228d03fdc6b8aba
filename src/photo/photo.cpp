#include "photo/photo.h"

#include <new>
#include <opencv2/imgproc.hpp>

#include "photo/decode.h"

namespace panecard::photo {
namespace {

/// Four times the raw pixels of a 12 MP photo per file, more than any phone writes.
constexpr std::size_t kMaxFileBytes = std::size_t{512} << 20;

Result<Decoded> decode(std::string_view bytes) {
  const auto format = format_of(bytes);
  if (!format) {
    return Error{Code::unreadable_file,
                 bytes.empty() ? "it is empty; copy the photo from the phone again"
                               : "it is not a JPEG, PNG, TIFF, WebP or HEIC picture; give a photo"};
  }
  switch (*format) {
    case Format::jpeg:
      return decode_jpeg(bytes);
    case Format::png:
      return decode_png(bytes);
    case Format::webp:
      return decode_webp(bytes);
    case Format::tiff:
      return decode_tiff(bytes);
    case Format::heif:
      return decode_heif(bytes);
  }
  return Error{Code::unreadable_file, "it has an unknown format"};
}

/// EXIF 2.32, tag 0x0112: where row 0 and column 0 of the stored pixels belong.
cv::Mat turned(const cv::Mat& stored, int orientation) {
  cv::Mat upright;
  switch (orientation) {
    case 2:
      cv::flip(stored, upright, 1);
      return upright;
    case 3:
      cv::rotate(stored, upright, cv::ROTATE_180);
      return upright;
    case 4:
      cv::flip(stored, upright, 0);
      return upright;
    case 5:
      cv::transpose(stored, upright);
      return upright;
    case 6:
      cv::rotate(stored, upright, cv::ROTATE_90_CLOCKWISE);
      return upright;
    case 7:
      cv::transpose(stored, upright);
      cv::rotate(upright, upright, cv::ROTATE_180);
      return upright;
    case 8:
      cv::rotate(stored, upright, cv::ROTATE_90_COUNTERCLOCKWISE);
      return upright;
    default:
      return stored;
  }
}

Result<Photo> upright_photo(std::string_view bytes) {
  Result<Decoded> decoded = decode(bytes);
  if (!decoded.ok()) return decoded.error();
  Decoded& picture = decoded.value();
  Photo photo;
  photo.exif = picture.exif;
  const int orientation = picture.upright ? 1 : photo.exif.orientation;
  photo.bgr = turned(picture.bgr, orientation);
  if (picture.grey.empty()) {
    cv::cvtColor(photo.bgr, photo.grey, cv::COLOR_BGR2GRAY);
  } else {
    photo.grey = turned(picture.grey, orientation);
  }
  return photo;
}

}  // namespace

Result<Photo> load_bytes(std::string_view bytes, const std::string& name) {
  const std::string cannot_read = "cannot read '" + name + "': ";
  try {
    Result<Photo> photo = upright_photo(bytes);
    if (photo.ok()) return photo;
    return Error{photo.error().code, cannot_read + photo.error().detail};
  } catch (const cv::Exception& e) {
    if (e.code != cv::Error::StsNoMem) {
      return Error{Code::unreadable_file, cannot_read + "it cannot be decoded; give another photo"};
    }
  } catch (const std::bad_alloc&) {
  }
  return Error{Code::too_large,
               cannot_read + "it needs more memory than there is; give a smaller photo"};
}

Result<Photo> load(const std::string& path) {
  const Result<std::string> bytes = read_file(path, kMaxFileBytes);
  if (!bytes.ok()) return bytes.error();
  return load_bytes(bytes.value(), path);
}

}  // namespace panecard::photo
