#include <libheif/heif.h>

#include <memory>
#include <opencv2/imgproc.hpp>

#include "photo/decode.h"
#include "photo/exif.h"

namespace panecard::photo {
namespace {

using Context = std::unique_ptr<heif_context, decltype(&heif_context_free)>;
using Handle = std::unique_ptr<heif_image_handle, decltype(&heif_image_handle_release)>;
using Image = std::unique_ptr<heif_image, decltype(&heif_image_release)>;

bool failed(const heif_error& error) { return error.code != heif_error_Ok; }

/// ISO/IEC 23008-12, annex A: four bytes say how far into the block the TIFF structure starts.
std::string read_exif_block(const heif_image_handle* handle) {
  constexpr std::size_t kMaxBytes = 1 << 20;
  heif_item_id id = 0;
  if (heif_image_handle_get_list_of_metadata_block_IDs(handle, "Exif", &id, 1) != 1) return {};
  const std::size_t size = heif_image_handle_get_metadata_size(handle, id);
  if (size < 4 || size > kMaxBytes) return {};
  std::string block(size, '\0');
  if (failed(heif_image_handle_get_metadata(handle, id, block.data()))) return {};
  std::size_t skip = 0;
  for (const char c : block.substr(0, 4)) skip = skip << 8 | static_cast<unsigned char>(c);
  if (skip > size - 4) return {};
  return block.substr(4 + skip);
}

}  // namespace

Result<Decoded> decode_heif(std::string_view bytes) {
  const Context context(heif_context_alloc(), heif_context_free);
  heif_error error = heif_context_read_from_memory_without_copy(context.get(), bytes.data(),
                                                                bytes.size(), nullptr);
  if (failed(error)) return damaged("HEIC", error.message);
  heif_image_handle* raw_handle = nullptr;
  error = heif_context_get_primary_image_handle(context.get(), &raw_handle);
  const Handle handle(raw_handle, heif_image_handle_release);
  if (failed(error)) return damaged("HEIC", error.message);
  const int width = heif_image_handle_get_width(handle.get());
  const int height = heif_image_handle_get_height(handle.get());
  if (auto problem = size_problem(width, height)) return *problem;
  heif_image* raw_image = nullptr;
  error = heif_decode_image(handle.get(), &raw_image, heif_colorspace_RGB,
                            heif_chroma_interleaved_RGB, nullptr);
  const Image image(raw_image, heif_image_release);
  if (failed(error)) return damaged("HEIC", error.message);
  int stride = 0;
  std::uint8_t* pixels = heif_image_get_plane(image.get(), heif_channel_interleaved, &stride);
  if (pixels == nullptr || heif_image_get_width(image.get(), heif_channel_interleaved) != width ||
      heif_image_get_height(image.get(), heif_channel_interleaved) != height) {
    return damaged("HEIC", "its pixels do not fill the size it states");
  }

  Decoded picture;
  picture.facts = read_exif(read_exif_block(handle.get()));
  picture.upright = true;
  const cv::Mat rgb(height, width, CV_8UC3, pixels, static_cast<std::size_t>(stride));
  cv::cvtColor(rgb, picture.bgr, cv::COLOR_RGB2BGR);
  return picture;
}

}  // namespace panecard::photo
