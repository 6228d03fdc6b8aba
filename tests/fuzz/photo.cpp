// Every decoder, chosen by the first bytes as for a photo.
#include "photo/photo.h"

#include "fuzz/fuzz.h"

void panecard::fuzz::photo(std::string_view bytes) {
  const auto photo = photo::load_bytes(bytes, "photo");
  if (!photo.ok()) {
    promise(photo.error().detail.find('\n') == std::string::npos, "an error is one line");
    return;
  }
  promise(photo->bgr.type() == CV_8UC3 && photo->grey.type() == CV_8UC1,
          "8 bits, 3 and 1 channels");
  promise(photo->bgr.size() == photo->grey.size() && !photo->bgr.empty(), "two pictures of a size");
}
