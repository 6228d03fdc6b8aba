#include <webp/decode.h>

#include <cstdint>

#include "photo/decode.h"
#include "photo/exif.h"

namespace panecard::photo {
namespace {

std::size_t little_endian(std::string_view bytes) {
  std::size_t value = 0;
  for (std::size_t i = 4; i-- > 0;) value = value << 8 | static_cast<unsigned char>(bytes[i]);
  return value;
}

/// The EXIF chunk of the container (RFC 9649, 2.7.1.5).
std::string_view find_exif(std::string_view bytes) {
  constexpr std::size_t kHead = 8;
  std::size_t at = 12;
  while (at <= bytes.size() && bytes.size() - at >= kHead) {
    const std::size_t length = little_endian(bytes.substr(at + 4));
    if (bytes.substr(at, 4) == "EXIF") return bytes.substr(at + kHead, length);
    at += kHead + length + length % 2;
  }
  return {};
}

}  // namespace

Result<Decoded> decode_webp(std::string_view bytes) {
  const auto* data = reinterpret_cast<const std::uint8_t*>(bytes.data());
  WebPBitstreamFeatures features;
  if (WebPGetFeatures(data, bytes.size(), &features) != VP8_STATUS_OK) {
    return damaged("WebP", "its header makes no sense");
  }
  if (auto problem = size_problem(features.width, features.height)) return *problem;
  if (features.has_animation != 0) {
    return Error{Code::unreadable_file, "it is a moving WebP picture; give a photo"};
  }
  if (little_endian(bytes.substr(4)) > bytes.size() - 8) return damaged("WebP", "it ends early");
  Decoded picture;
  picture.exif = read_exif(find_exif(bytes));
  picture.bgr.create(features.height, features.width, CV_8UC3);
  const std::size_t size = picture.bgr.total() * picture.bgr.elemSize();
  if (WebPDecodeBGRInto(data, bytes.size(), picture.bgr.data, size,
                        static_cast<int>(picture.bgr.step)) == nullptr) {
    return damaged("WebP", "its pixels cannot be decoded");
  }
  return picture;
}

}  // namespace panecard::photo
