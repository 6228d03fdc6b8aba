#include "photo/exif.h"

#include <cstdint>
#include <optional>
#include <string>

namespace panecard::photo {
namespace {

enum Tag : std::uint16_t {
  kMake = 0x010f,
  kModel = 0x0110,
  kOrientation = 0x0112,
  kExifDirectory = 0x8769,
  kFocalLength = 0x920a,
  kFocalLength35 = 0xa405,
};

enum Type : std::uint16_t { kAscii = 2, kShort = 3, kLong = 4, kRational = 5 };

class Block {
 public:
  explicit Block(std::string_view bytes) : bytes_(bytes), little_(bytes.substr(0, 1) == "I") {}

  bool valid() const {
    return bytes_.substr(0, 4) == std::string_view("II*\0", 4) ||
           bytes_.substr(0, 4) == std::string_view("MM\0*", 4);
  }

  /// nullopt outside the block.
  std::optional<std::uint32_t> number(std::size_t at, std::size_t size) const {
    if (at > bytes_.size() || bytes_.size() - at < size) return std::nullopt;
    std::uint32_t value = 0;
    for (std::size_t i = 0; i < size; ++i) {
      const std::size_t from = little_ ? at + size - 1 - i : at + i;
      value = value << 8 | static_cast<unsigned char>(bytes_[from]);
    }
    return value;
  }

  std::string_view text(std::size_t at, std::size_t size) const {
    if (at > bytes_.size() || bytes_.size() - at < size) return {};
    return bytes_.substr(at, size);
  }

 private:
  std::string_view bytes_;
  bool little_;
};

struct Entry {
  std::uint16_t tag, type;
  std::uint32_t count;
  std::size_t at;  ///< of the four bytes that hold the value or its offset
};

/// Names go into file names, JSON and terminals: printable ASCII only, and short.
std::string clean_text(std::string_view raw) {
  constexpr std::size_t kLongest = 64;
  std::string text;
  for (const char c : raw.substr(0, raw.find('\0')).substr(0, kLongest)) {
    text += c >= ' ' && c <= '~' ? c : '?';
  }
  while (!text.empty() && text.back() == ' ') text.pop_back();
  text.erase(0, text.find_first_not_of(' '));
  return text;
}

std::string ascii(const Block& block, const Entry& entry) {
  if (entry.type != kAscii) return {};
  if (entry.count <= 4) return clean_text(block.text(entry.at, entry.count));
  const auto offset = block.number(entry.at, 4);
  return offset ? clean_text(block.text(*offset, entry.count)) : std::string();
}

std::optional<std::uint32_t> whole(const Block& block, const Entry& entry) {
  if (entry.count != 1) return std::nullopt;
  if (entry.type == kShort) return block.number(entry.at, 2);
  if (entry.type == kLong) return block.number(entry.at, 4);
  return std::nullopt;
}

/// EXIF writes 0 for "unknown", and 0/0 occurs.
std::optional<double> focal_length(double mm) {
  constexpr double kLongestLens_mm = 10000;
  if (mm > 0 && mm < kLongestLens_mm) return mm;
  return std::nullopt;
}

std::optional<double> rational(const Block& block, const Entry& entry) {
  if (entry.type != kRational || entry.count != 1) return std::nullopt;
  const auto offset = block.number(entry.at, 4);
  if (!offset) return std::nullopt;
  const auto above = block.number(*offset, 4);
  const auto below = block.number(std::size_t{*offset} + 4, 4);
  if (!above || !below || *below == 0) return std::nullopt;
  return static_cast<double>(*above) / *below;
}

void read_tag(const Block& block, const Entry& entry, Exif& exif,
              std::optional<std::uint32_t>& exif_directory) {
  switch (entry.tag) {
    case kMake:
      exif.make = ascii(block, entry);
      break;
    case kModel:
      exif.model = ascii(block, entry);
      break;
    case kOrientation:
      if (const auto o = whole(block, entry); o && *o >= 1 && *o <= 8) {
        exif.orientation = static_cast<int>(*o);
      }
      break;
    case kExifDirectory:
      exif_directory = whole(block, entry);
      break;
    case kFocalLength:
      if (const auto mm = rational(block, entry)) exif.focal_mm = focal_length(*mm);
      break;
    case kFocalLength35:
      if (const auto mm = whole(block, entry)) exif.focal_35mm = focal_length(*mm);
      break;
    default:
      break;
  }
}

/// Offset of the EXIF directory, if this one has it.
std::optional<std::uint32_t> read_directory(const Block& block, std::size_t at, Exif& exif) {
  constexpr std::size_t kEntrySize = 12;
  std::optional<std::uint32_t> exif_directory;
  const std::uint32_t count = block.number(at, 2).value_or(0);
  for (std::uint32_t i = 0; i < count; ++i) {
    const std::size_t entry_at = at + 2 + i * kEntrySize;
    const auto tag = block.number(entry_at, 2);
    const auto type = block.number(entry_at + 2, 2);
    const auto values = block.number(entry_at + 4, 4);
    if (!tag || !type || !values) break;
    read_tag(block,
             {static_cast<std::uint16_t>(*tag), static_cast<std::uint16_t>(*type), *values,
              entry_at + 8},
             exif, exif_directory);
  }
  return exif_directory;
}

}  // namespace

Exif read_exif(std::string_view bytes) {
  constexpr std::string_view kPrefix("Exif\0\0", 6);
  if (bytes.starts_with(kPrefix)) bytes.remove_prefix(kPrefix.size());
  Exif exif;
  const Block block(bytes);
  if (!block.valid()) return exif;
  const auto first = block.number(4, 4);
  if (!first) return exif;
  if (const auto second = read_directory(block, *first, exif)) read_directory(block, *second, exif);
  return exif;
}

}  // namespace panecard::photo
