#include <dlfcn.h>
#include <libheif/heif.h>

#include <memory>
#include <opencv2/imgproc.hpp>

#include "photo/decode.h"
#include "photo/exif.h"

namespace panecard::photo {
namespace {

/// The functions of libheif. It is loaded with the first HEIC photo: the four video codecs that it
/// brings would take a third of every start of the program.
struct Heif {
  decltype(&heif_context_alloc) context_alloc = nullptr;
  decltype(&heif_context_free) context_free = nullptr;
  decltype(&heif_context_read_from_memory_without_copy) context_read = nullptr;
  decltype(&heif_context_get_primary_image_handle) context_primary = nullptr;
  decltype(&heif_image_handle_release) handle_release = nullptr;
  decltype(&heif_image_handle_get_width) handle_width = nullptr;
  decltype(&heif_image_handle_get_height) handle_height = nullptr;
  decltype(&heif_image_handle_get_list_of_metadata_block_IDs) handle_blocks = nullptr;
  decltype(&heif_image_handle_get_metadata_size) handle_block_size = nullptr;
  decltype(&heif_image_handle_get_metadata) handle_block = nullptr;
  decltype(&heif_decode_image) decode = nullptr;
  decltype(&heif_image_release) image_release = nullptr;
  decltype(&heif_image_get_width) image_width = nullptr;
  decltype(&heif_image_get_height) image_height = nullptr;
  decltype(&heif_image_get_plane) image_plane = nullptr;
  bool complete = true;

  Heif() {
    // The number is that of the binary interface the header describes.
    void* const library = dlopen("libheif.so.1", RTLD_NOW | RTLD_LOCAL);
    take(library, "heif_context_alloc", context_alloc);
    take(library, "heif_context_free", context_free);
    take(library, "heif_context_read_from_memory_without_copy", context_read);
    take(library, "heif_context_get_primary_image_handle", context_primary);
    take(library, "heif_image_handle_release", handle_release);
    take(library, "heif_image_handle_get_width", handle_width);
    take(library, "heif_image_handle_get_height", handle_height);
    take(library, "heif_image_handle_get_list_of_metadata_block_IDs", handle_blocks);
    take(library, "heif_image_handle_get_metadata_size", handle_block_size);
    take(library, "heif_image_handle_get_metadata", handle_block);
    take(library, "heif_decode_image", decode);
    take(library, "heif_image_release", image_release);
    take(library, "heif_image_get_width", image_width);
    take(library, "heif_image_get_height", image_height);
    take(library, "heif_image_get_plane", image_plane);
  }

 private:
  template <typename Function>
  void take(void* library, const char* name, Function*& to) {
    if (library != nullptr) to = reinterpret_cast<Function*>(dlsym(library, name));
    complete = complete && to != nullptr;
  }
};

const Heif& heif() {
  static const Heif loaded;
  return loaded;
}

using Context = std::unique_ptr<heif_context, decltype(Heif::context_free)>;
using Handle = std::unique_ptr<heif_image_handle, decltype(Heif::handle_release)>;
using Image = std::unique_ptr<heif_image, decltype(Heif::image_release)>;

bool failed(const heif_error& error) { return error.code != heif_error_Ok; }

/// ISO/IEC 23008-12, annex A: four bytes say how far into the block the TIFF structure starts.
std::string read_exif_block(const heif_image_handle* handle) {
  constexpr std::size_t kMaxBytes = 1 << 20;
  heif_item_id id = 0;
  if (heif().handle_blocks(handle, "Exif", &id, 1) != 1) return {};
  const std::size_t size = heif().handle_block_size(handle, id);
  if (size < 4 || size > kMaxBytes) return {};
  std::string block(size, '\0');
  if (failed(heif().handle_block(handle, id, block.data()))) return {};
  std::size_t skip = 0;
  for (const char c : block.substr(0, 4)) skip = skip << 8 | static_cast<unsigned char>(c);
  if (skip > size - 4) return {};
  return block.substr(4 + skip);
}

}  // namespace

Result<Decoded> decode_heif(std::string_view bytes) {
  if (!heif().complete) {
    return Error{Code::unreadable_file,
                 "it is a HEIC photo, which takes libheif 1, and that is not on this computer: "
                 "install libheif1, or give the photo as a JPEG"};
  }
  const Context context(heif().context_alloc(), heif().context_free);
  heif_error error = heif().context_read(context.get(), bytes.data(), bytes.size(), nullptr);
  if (failed(error)) return damaged("HEIC", error.message);
  heif_image_handle* raw_handle = nullptr;
  error = heif().context_primary(context.get(), &raw_handle);
  const Handle handle(raw_handle, heif().handle_release);
  if (failed(error)) return damaged("HEIC", error.message);
  const int width = heif().handle_width(handle.get());
  const int height = heif().handle_height(handle.get());
  if (auto problem = size_problem(width, height)) return *problem;
  heif_image* raw_image = nullptr;
  error = heif().decode(handle.get(), &raw_image, heif_colorspace_RGB, heif_chroma_interleaved_RGB,
                        nullptr);
  const Image image(raw_image, heif().image_release);
  if (failed(error)) return damaged("HEIC", error.message);
  int stride = 0;
  std::uint8_t* pixels = heif().image_plane(image.get(), heif_channel_interleaved, &stride);
  if (pixels == nullptr || heif().image_width(image.get(), heif_channel_interleaved) != width ||
      heif().image_height(image.get(), heif_channel_interleaved) != height) {
    return damaged("HEIC", "its pixels do not fill the size it states");
  }

  Decoded picture;
  picture.exif = read_exif(read_exif_block(handle.get()));
  picture.upright = true;
  const cv::Mat rgb(height, width, CV_8UC3, pixels, static_cast<std::size_t>(stride));
  cv::cvtColor(rgb, picture.bgr, cv::COLOR_RGB2BGR);
  return picture;
}

}  // namespace panecard::photo
