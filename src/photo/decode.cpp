#include "photo/decode.h"

#include <algorithm>

namespace panecard::photo {

std::optional<Format> format_of(std::string_view bytes) {
  using namespace std::string_view_literals;
  if (bytes.starts_with("\xff\xd8\xff"sv)) return Format::jpeg;
  if (bytes.starts_with("\x89PNG\r\n\x1a\n"sv)) return Format::png;
  if (bytes.starts_with("RIFF"sv) && bytes.substr(0, 12).ends_with("WEBP"sv)) return Format::webp;
  if (bytes.starts_with("II*\0"sv) || bytes.starts_with("MM\0*"sv)) return Format::tiff;
  if (bytes.size() >= 12 && bytes.substr(4, 4) == "ftyp"sv) {
    for (const auto brand : {"heic"sv, "heix"sv, "heim"sv, "heis"sv, "mif1"sv, "msf1"sv}) {
      if (bytes.substr(8, 4) == brand) return Format::heif;
    }
  }
  return std::nullopt;
}

std::optional<Error> size_problem(double width_px, double height_px) {
  if (!(width_px >= 1 && height_px >= 1)) {
    return Error{Code::unreadable_file, "it says it has no pixels; copy it from the phone again"};
  }
  const double megapixels = width_px * height_px / 1e6;
  constexpr double kLongestSide_px = 32767;  // OpenCV's own arithmetic is short of bits beyond it
  if (megapixels <= kMaxMegapixels && width_px <= kLongestSide_px && height_px <= kLongestSide_px) {
    constexpr double kMostSlender = 100;  // a panorama of a whole turn is not half of that
    const auto [shorter, longer] = std::minmax(width_px, height_px);
    if (longer <= kMostSlender * shorter) return std::nullopt;
    return Error{Code::unreadable_file, "it is a strip of " + to_text(width_px, 0) + " x " +
                                            to_text(height_px, 0) +
                                            " pixels; give the photo as the phone took it"};
  }
  return Error{Code::too_large, "it has " + to_text(width_px, 0) + " x " + to_text(height_px, 0) +
                                    " pixels (" + to_text(megapixels, 1) + " MP), the limit is " +
                                    to_text(kMaxMegapixels, 0) + " MP and " +
                                    to_text(kLongestSide_px, 0) +
                                    " pixels a side; give a smaller photo"};
}

Error damaged(std::string_view format, std::string_view detail) {
  std::string text = "it is a damaged or truncated ";
  text.append(format).append(" (").append(detail).append("); copy it from the phone again");
  for (char& c : text) {
    if (c < ' ' || c > '~') c = ' ';  // libraries quote bytes of the file
  }
  return Error{Code::unreadable_file, text};
}

}  // namespace panecard::photo
