#include <png.h>

#include <cstdint>

#include "photo/decode.h"
#include "photo/exif.h"

namespace panecard::photo {
namespace {

std::uint32_t big_endian(std::string_view bytes) {
  std::uint32_t value = 0;
  for (const char c : bytes.substr(0, 4)) value = value << 8 | static_cast<unsigned char>(c);
  return value;
}

/// Walks the chunks (ISO/IEC 15948, clause 5). libpng's simple reader stops before IEND, which
/// would let a cut file pass, and skips eXIf.
struct Chunks {
  bool complete = false;
  std::string_view exif;
};

Chunks read_chunks(std::string_view bytes) {
  constexpr std::size_t kFrame = 12;  // length, type and check sum
  Chunks chunks;
  std::size_t at = 8;
  while (at <= bytes.size() && bytes.size() - at >= kFrame) {
    const std::size_t length = big_endian(bytes.substr(at));
    if (bytes.size() - at - kFrame < length) break;
    const std::string_view type = bytes.substr(at + 4, 4);
    if (type == "eXIf") chunks.exif = bytes.substr(at + 8, length);
    if (type == "IEND") {
      chunks.complete = true;
      break;
    }
    at += length + kFrame;
  }
  return chunks;
}

struct Image {
  png_image state{};
  Image() { state.version = PNG_IMAGE_VERSION; }
  ~Image() { png_image_free(&state); }
  Image(const Image&) = delete;
  Image& operator=(const Image&) = delete;
};

}  // namespace

Result<Decoded> decode_png(std::string_view bytes) {
  Image image;
  if (png_image_begin_read_from_memory(&image.state, bytes.data(), bytes.size()) == 0) {
    return damaged("PNG", image.state.message);
  }
  if (auto problem = size_problem(image.state.width, image.state.height)) return *problem;
  const Chunks chunks = read_chunks(bytes);
  if (!chunks.complete) return damaged("PNG", "it ends early");
  Decoded picture;
  picture.exif = read_exif(chunks.exif);
  picture.bgr.create(static_cast<int>(image.state.height), static_cast<int>(image.state.width),
                     CV_8UC3);
  image.state.format = PNG_FORMAT_BGR;
  image.state.flags |= PNG_IMAGE_FLAG_16BIT_sRGB;
  const png_color white{255, 255, 255};
  if (png_image_finish_read(&image.state, &white, picture.bgr.data,
                            static_cast<png_int_32>(picture.bgr.step), nullptr) == 0) {
    return damaged("PNG", image.state.message);
  }
  return picture;
}

}  // namespace panecard::photo
