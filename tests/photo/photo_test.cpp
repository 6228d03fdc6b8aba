#include "photo/photo.h"

#include <doctest/doctest.h>

#include <array>
#include <exiv2/exiv2.hpp>
#include <functional>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "support/folder.h"

using panecard::Code;
using panecard::Error;
using panecard::Result;
using panecard::photo::load;
using panecard::photo::load_bytes;
using panecard::photo::Photo;
using panecard::support::bytes_of;
using panecard::support::Folder;

namespace {

constexpr int kWidth = 96, kHeight = 64;
const std::vector<std::string> kFormats = {".jpg", ".png", ".webp", ".tif"};
const std::vector<std::string> kSamples = {PANECARD_TEST_DATA "/upright.heic",
                                           PANECARD_TEST_DATA "/turned.heic"};

/// Red, green above blue, white: tells all eight orientations apart.
cv::Vec3b colour_at(int x, int y) {
  const bool left = 2 * x < kWidth, top = 2 * y < kHeight;
  if (top) return left ? cv::Vec3b(0, 0, 200) : cv::Vec3b(0, 200, 0);
  return left ? cv::Vec3b(200, 0, 0) : cv::Vec3b(220, 220, 220);
}

/// Where the stored pixel (row, column) is seen. Table of EXIF 2.32, tag 0x0112: "the 0th row is at
/// the visual top of the image, and the 0th column is the visual left-hand side" and so on.
cv::Point seen_at(int orientation, int row, int column) {
  const int right = kWidth - 1, bottom = kHeight - 1;
  switch (orientation) {
    case 2:  // row 0 top, column 0 right
      return {right - column, row};
    case 3:  // bottom, right
      return {right - column, bottom - row};
    case 4:  // bottom, left
      return {column, bottom - row};
    case 5:  // left, top
      return {row, column};
    case 6:  // right, top
      return {right - row, column};
    case 7:  // right, bottom
      return {right - row, bottom - column};
    case 8:  // left, bottom
      return {row, bottom - column};
    default:
      return {column, row};
  }
}

cv::Mat stored_picture(int orientation) {
  const bool on_its_side = orientation >= 5;
  cv::Mat picture(on_its_side ? kWidth : kHeight, on_its_side ? kHeight : kWidth, CV_8UC3);
  for (int row = 0; row < picture.rows; ++row) {
    for (int column = 0; column < picture.cols; ++column) {
      const cv::Point p = seen_at(orientation, row, column);
      picture.at<cv::Vec3b>(row, column) = colour_at(p.x, p.y);
    }
  }
  return picture;
}

std::string encoded(const std::string& format, const cv::Mat& picture,
                    const std::vector<int>& how = {cv::IMWRITE_WEBP_QUALITY, 90}) {
  std::vector<unsigned char> bytes;
  REQUIRE(cv::imencode(format, picture, bytes, how));
  return {bytes.begin(), bytes.end()};
}

void put(std::string& bytes, std::size_t at, std::uint32_t value, std::size_t size) {
  for (std::size_t i = 0; i < size; ++i) {
    bytes[at + i] = static_cast<char>(value >> 8 * (size - 1 - i));
  }
}

/// ISO/IEC 15948, annex D.
std::uint32_t png_check_sum(std::string_view bytes) {
  std::uint32_t crc = 0xffffffff;
  for (const char c : bytes) {
    crc ^= static_cast<unsigned char>(c);
    for (int bit = 0; bit < 8; ++bit) crc = (crc >> 1) ^ (crc & 1 ? 0xedb88320 : 0);
  }
  return ~crc;
}

/// The eXIf chunk straight after the header; exiv2 0.27 writes an older private text chunk instead.
void add_png_exif(const std::string& path, const Exiv2::ExifData& exif) {
  Exiv2::Blob block;
  Exiv2::ExifParser::encode(block, Exiv2::littleEndian, exif);
  std::string chunk = "0000eXIf" + std::string(block.begin(), block.end()) + "0000";
  put(chunk, 0, static_cast<std::uint32_t>(block.size()), 4);
  put(chunk, chunk.size() - 4, png_check_sum(std::string_view(chunk).substr(4, block.size() + 4)),
      4);
  constexpr std::size_t kAfterHeader = 33;
  std::string bytes = bytes_of(path);
  std::ofstream(path, std::ios::binary) << bytes.insert(kAfterHeader, chunk);
}

/// Written by exiv2, so that our reader has a second opinion.
void add_exif(const std::string& path, int orientation) {
  const auto image = Exiv2::ImageFactory::open(path);
  image->readMetadata();
  Exiv2::ExifData& exif = image->exifData();
  exif["Exif.Image.Make"] = "Example";
  exif["Exif.Image.Model"] = "phone-x";
  exif["Exif.Image.Orientation"] = static_cast<std::uint16_t>(orientation);
  exif["Exif.Photo.FocalLength"] = Exiv2::URational(425, 100);
  exif["Exif.Photo.FocalLengthIn35mmFilm"] = std::uint16_t{27};
  if (path.ends_with(".png")) {
    add_png_exif(path, exif);
  } else {
    image->writeMetadata();
  }
}

void check_quadrants(const Photo& photo) {
  CHECK(photo.bgr.size() == cv::Size(kWidth, kHeight));
  CHECK(photo.grey.size() == photo.bgr.size());
  CHECK(photo.bgr.type() == CV_8UC3);
  CHECK(photo.grey.type() == CV_8UC1);
  if (photo.bgr.size() != cv::Size(kWidth, kHeight)) return;
  cv::Mat grey;
  cv::cvtColor(photo.bgr, grey, cv::COLOR_BGR2GRAY);
  CHECK(cv::norm(grey, photo.grey, cv::NORM_INF) == 0);
  for (const cv::Point p : {cv::Point(20, 15), {75, 15}, {20, 48}, {75, 48}}) {
    CAPTURE(p.x);
    CAPTURE(p.y);
    constexpr double kLossyTolerance = 12;  // of 255, far below the 200 between the colours
    CHECK(cv::norm(photo.bgr.at<cv::Vec3b>(p), colour_at(p.x, p.y), cv::NORM_INF) <=
          kLossyTolerance);
  }
}

void check_refused(const Result<Photo>& photo, Code code) {
  CHECK_FALSE(photo.ok());
  if (photo.ok()) return;
  CHECK(static_cast<int>(photo.error().code) == static_cast<int>(code));
  CAPTURE(photo.error().detail);
  CHECK(photo.error().detail.find(';') != std::string::npos);  // what; what to do
  CHECK(photo.error().detail.find('\n') == std::string::npos);
}

std::string small(const std::string& format) { return encoded(format, stored_picture(1)); }

std::string jpeg_claiming(std::uint32_t width, std::uint32_t height) {
  std::string bytes = small(".jpg");
  const std::size_t frame = bytes.find(std::string("\xff\xc0\x00\x11\x08", 5));  // SOF0
  REQUIRE(frame != std::string::npos);
  put(bytes, frame + 5, height, 2);
  put(bytes, frame + 7, width, 2);
  return bytes;
}

std::string png_claiming(std::uint32_t width, std::uint32_t height) {
  std::string bytes = small(".png");
  put(bytes, 16, width, 4);
  put(bytes, 20, height, 4);
  put(bytes, 29, png_check_sum(std::string_view(bytes).substr(12, 17)), 4);
  return bytes;
}

std::string webp_claiming(unsigned width, unsigned height) {
  std::string bytes = small(".webp");
  REQUIRE(bytes.substr(12, 4) == "VP8 ");
  for (const auto& [at, value] : {std::pair{26U, width}, std::pair{28U, height}}) {
    bytes[at] = static_cast<char>(value);
    bytes[at + 1] = static_cast<char>(value >> 8);
  }
  return bytes;
}

std::string heic_claiming(std::uint32_t width, std::uint32_t height) {
  std::string bytes = bytes_of(kSamples[0]);
  const std::size_t extents = bytes.find("ispe");
  REQUIRE(extents != std::string::npos);
  put(bytes, extents + 8, width, 4);
  put(bytes, extents + 12, height, 4);
  return bytes;
}

/// One strip of nothing.
std::string tiff_claiming(std::uint32_t width, std::uint32_t height) {
  std::string bytes("MM\0*\0\0\0\x08\0\x07", 10);
  const std::array<std::array<std::uint32_t, 2>, 7> entries = {{{0x100, width},
                                                                {0x101, height},
                                                                {0x102, 8},
                                                                {0x103, 1},
                                                                {0x106, 1},
                                                                {0x111, 8},
                                                                {0x117, 2}}};
  for (const auto& [tag, value] : entries) {
    std::string entry(12, '\0');
    put(entry, 0, tag, 2);
    put(entry, 2, 4, 2);
    put(entry, 4, 1, 4);
    put(entry, 8, value, 4);
    bytes += entry;
  }
  return bytes + std::string(4, '\0');
}

}  // namespace

TEST_CASE("load turns every EXIF orientation upright, once, in every format") {
  const Folder folder;
  int tried = 0;
  for (const std::string& format : kFormats) {
    for (int orientation = 1; orientation <= 8; ++orientation) {
      CAPTURE(format);
      CAPTURE(orientation);
      const std::string path =
          folder.write("o" + format, encoded(format, stored_picture(orientation)));
      add_exif(path, orientation);
      const Result<Photo> photo = load(path);
      CHECK(photo.ok());
      if (!photo.ok()) continue;
      check_quadrants(photo.value());
      CHECK(photo->exif.orientation == orientation);
      CHECK(photo->exif.make == "Example");
      CHECK(photo->exif.model == "phone-x");
      CHECK(photo->exif.focal_mm.value_or(0) == 4.25);
      CHECK(photo->exif.focal_35mm.value_or(0) == 27);
      ++tried;
    }
  }
  CHECK(tried == 32);
}

TEST_CASE("load leaves the turning of a HEIC photo to its container, whatever its EXIF says") {
  for (const std::string& path : kSamples) {
    CAPTURE(path);
    const Result<Photo> photo = load(path);
    CHECK(photo.ok());
    if (!photo.ok()) continue;
    check_quadrants(photo.value());
    CHECK(photo->exif.model == "phone-h");
    CHECK(photo->exif.focal_35mm.value_or(0) == 27);
  }
}

TEST_CASE("load decodes to the pixels of cv::imread") {
  const Folder folder;
  cv::Mat picture(120, 200, CV_8UC3);
  cv::RNG random(7);
  random.fill(picture, cv::RNG::UNIFORM, 0, 256);
  cv::GaussianBlur(picture, picture, {}, 2);
  for (const std::string& format : kFormats) {
    CAPTURE(format);
    const std::string path = folder.write("p" + format, encoded(format, picture));
    const Result<Photo> photo = load(path);
    CHECK(photo.ok());
    if (photo.ok()) CHECK(cv::norm(photo->bgr, cv::imread(path), cv::NORM_INF) == 0);
  }
}

// Tall enough to be decoded by both cores; heights about whole blocks and bands of rows.
TEST_CASE("load decodes a tall JPEG without a seam") {
  const Folder folder;
  cv::RNG random(11);
  for (const int height : {95, 96, 189, 200, 523, 1040}) {
    cv::Mat picture(height, 173, CV_8UC3);
    random.fill(picture, cv::RNG::UNIFORM, 0, 256);
    cv::GaussianBlur(picture, picture, {}, 1);
    for (const std::vector<int>& how : {std::vector<int>{},
                                        {cv::IMWRITE_JPEG_RST_INTERVAL, 3},
                                        {cv::IMWRITE_JPEG_PROGRESSIVE, 1}}) {
      CAPTURE(height);
      const std::string path = folder.write("tall.jpg", encoded(".jpg", picture, how));
      const Result<Photo> photo = load(path);
      REQUIRE(photo.ok());
      CHECK(cv::norm(photo->bgr, cv::imread(path), cv::NORM_INF) == 0);
    }
  }
}

TEST_CASE("load takes grey, 16-bit and transparent pictures") {
  const Folder folder;
  const std::vector<std::pair<std::string, cv::Mat>> pictures = {
      {"grey.jpg", cv::Mat(32, 48, CV_8UC1, cv::Scalar(77))},
      {"grey.png", cv::Mat(32, 48, CV_8UC1, cv::Scalar(77))},
      {"deep.png", cv::Mat(32, 48, CV_16UC3, cv::Scalar::all(77 * 257))},
      {"deep.tif", cv::Mat(32, 48, CV_16UC3, cv::Scalar::all(77 * 257))},
      {"clear.png", cv::Mat(32, 48, CV_8UC4, cv::Scalar(77, 77, 77, 255))}};
  for (const auto& [name, picture] : pictures) {
    CAPTURE(name);
    const std::string format = name.substr(name.find('.'));
    const Result<Photo> photo = load(folder.write(name, encoded(format, picture)));
    CHECK(photo.ok());
    if (!photo.ok()) continue;
    CHECK(photo->bgr.size() == cv::Size(48, 32));
    CHECK(std::abs(photo->bgr.at<cv::Vec3b>(10, 10)[1] - 77) <= 1);
    CHECK(std::abs(photo->grey.at<unsigned char>(10, 10) - 77) <= 1);
  }
}

TEST_CASE("load goes by content, not by name") {
  const Folder folder;
  CHECK(load(folder.write("photo.txt", small(".jpg"))).ok());
  check_refused(load(folder.write("photo.jpg", "no picture at all")), Code::unreadable_file);
}

TEST_CASE("load refuses what is no photo, in one line that says what to do") {
  const Folder folder;
  check_refused(load(folder / "missing.jpg"), Code::unreadable_file);
  check_refused(load(folder.path().string()), Code::unreadable_file);
  check_refused(load(folder.write("empty.jpg", "")), Code::unreadable_file);
  check_refused(load("/dev/zero"), Code::unreadable_file);
  for (const char* start :
       {"\xff\xd8\xff", "\x89PNG\r\n\x1a\n", "RIFF1234WEBP", "II*", "MM", "1234ftypheic"}) {
    CAPTURE(start);
    check_refused(load(folder.write("start", start)), Code::unreadable_file);
  }
}

TEST_CASE("load refuses headers that claim over 200 megapixels before it allocates any") {
  const Folder folder;
  check_refused(load(folder.write("a", jpeg_claiming(60000, 60000))), Code::too_large);
  check_refused(load(folder.write("b", png_claiming(60000, 60000))), Code::too_large);
  check_refused(load(folder.write("c", webp_claiming(16383, 16383))), Code::too_large);
  check_refused(load(folder.write("d", tiff_claiming(60000, 60000))), Code::too_large);
  check_refused(load(folder.write("f", jpeg_claiming(65500, 10))), Code::too_large);
  const Result<Photo> heic = load(folder.write("e", heic_claiming(60000, 60000)));
  CHECK_FALSE(heic.ok());
}

TEST_CASE("load refuses a strip before any library stumbles over it") {
  const Folder folder;
  for (const cv::Size size : {cv::Size(16383, 1), cv::Size(1, 16383), cv::Size(16383, 2)}) {
    std::vector<unsigned char> bytes;
    REQUIRE(cv::imencode(".png", cv::Mat(size, CV_8UC3, cv::Scalar(1, 2, 3)), bytes));
    const Result<Photo> photo =
        load(folder.write("strip", std::string(bytes.begin(), bytes.end())));
    check_refused(photo, Code::unreadable_file);
    CHECK(photo.error().detail.find("it is a strip of") != std::string::npos);
  }
}

TEST_CASE("load refuses a small file that claims a large photo under the limit") {
  const Folder folder;
  check_refused(load(folder.write("a", jpeg_claiming(14000, 14000))), Code::unreadable_file);
  check_refused(load(folder.write("b", png_claiming(14000, 14000))), Code::unreadable_file);
  check_refused(load(folder.write("c", webp_claiming(14000, 14000))), Code::unreadable_file);
  check_refused(load(folder.write("d", tiff_claiming(14000, 14000))), Code::unreadable_file);
  check_refused(load(folder.write("e", heic_claiming(14000, 14000))), Code::unreadable_file);
}

TEST_CASE("load refuses every true prefix of a photo") {
  std::vector<std::string> whole;
  for (const std::string& format : kFormats) whole.push_back(small(format));
  whole.push_back(encoded(".jpg", cv::Mat(32, 48, CV_8UC1, cv::Scalar(77))));
  std::vector<unsigned char> progressive;
  REQUIRE(cv::imencode(".jpg", stored_picture(1), progressive, {cv::IMWRITE_JPEG_PROGRESSIVE, 1}));
  whole.emplace_back(progressive.begin(), progressive.end());
  for (const std::string& sample : kSamples) whole.push_back(bytes_of(sample));
  for (const std::string& bytes : whole) {
    CAPTURE(bytes.substr(0, 12));
    CHECK(load_bytes(bytes, "whole").ok());
    std::size_t accepted = 0;
    for (std::size_t size = 0; size < bytes.size(); ++size) {
      const Result<Photo> photo = load_bytes(bytes.substr(0, size), "cut");
      accepted += photo.ok() ? 1 : 0;
    }
    CHECK(accepted == 0);
  }
}

TEST_CASE("load survives every single damaged byte") {
  const Folder folder;
  std::vector<std::string> whole;
  for (const std::string& format : kFormats) {
    const std::string path = folder.write("tagged" + format, small(format));
    add_exif(path, 6);
    whole.push_back(bytes_of(path));
  }
  for (const std::string& sample : kSamples) whole.push_back(bytes_of(sample));
  int refused = 0;
  for (std::string bytes : whole) {
    constexpr std::size_t kFirst =
        1500;  // headers; the TIFF's pixels are raw and have no structure
    for (std::size_t i = 0; i < std::min(bytes.size(), kFirst); ++i) {
      const char right = bytes[i];
      bytes[i] = static_cast<char>(~right);
      const Result<Photo> photo = load_bytes(bytes, "damaged");
      bytes[i] = right;
      if (photo.ok()) continue;
      ++refused;
      CHECK(photo.error().detail.find('\n') == std::string::npos);
    }
  }
  CHECK(refused > 100);
}
