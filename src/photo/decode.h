// File formats: bytes into pixels as stored. Every decoder checks the size that the header states
// before it allocates, refuses damaged data and prints nothing.
#pragma once

#include <opencv2/core.hpp>
#include <optional>
#include <string_view>

#include "base/base.h"
#include "photo/photo.h"

namespace panecard::photo {

enum class Format { jpeg, png, webp, tiff, heif };

/// By content; nullopt for anything else.
std::optional<Format> format_of(std::string_view bytes);

struct Decoded {
  cv::Mat bgr;   ///< 8-bit
  cv::Mat grey;  ///< may be empty
  Exif exif;
  bool upright = false;  ///< the decoder applied the orientation already
};

/// Error details lack the file's name: "it is a damaged or truncated JPEG (...); ...".
Result<Decoded> decode_jpeg(std::string_view bytes);
Result<Decoded> decode_png(std::string_view bytes);
Result<Decoded> decode_webp(std::string_view bytes);
Result<Decoded> decode_tiff(std::string_view bytes);
Result<Decoded> decode_heif(std::string_view bytes);

/// The error for an image of invalid or too large size; nullopt for an acceptable one.
std::optional<Error> size_problem(double width_px, double height_px);

/// The usual refusal: "it is a damaged or truncated JPEG (detail); copy it from the phone again".
Error damaged(std::string_view format, std::string_view detail);

}  // namespace panecard::photo
