// Photos damaged at random, from fixed seeds: no crash, no hang, and an answer in one line.
#include <doctest/doctest.h>

#include <chrono>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <random>
#include <string>
#include <vector>

#include "photo/photo.h"
#include "support/folder.h"

using panecard::photo::load_bytes;

namespace {

using Random = std::mt19937;

std::size_t below(Random& random, std::size_t n) { return random() % std::max<std::size_t>(1, n); }

/// Smooth and noisy parts, so that every kind of coded block occurs.
cv::Mat picture() {
  cv::Mat image(240, 320, CV_8UC3);
  cv::RNG noise(3);
  noise.fill(image, cv::RNG::UNIFORM, 0, 256);
  cv::GaussianBlur(image.colRange(0, 160), image.colRange(0, 160), {}, 5);
  return image;
}

std::vector<std::string> whole_photos() {
  std::vector<std::string> all = {panecard::support::bytes_of(PANECARD_TEST_DATA "/upright.heic")};
  const std::vector<std::pair<std::string, std::vector<int>>> kinds = {
      {".jpg", {}},
      {".jpg", {cv::IMWRITE_JPEG_PROGRESSIVE, 1}},
      {".png", {}},
      {".tif", {}},
      {".webp", {cv::IMWRITE_WEBP_QUALITY, 80}}};
  for (const auto& [ending, how] : kinds) {
    std::vector<unsigned char> bytes;
    REQUIRE(cv::imencode(ending, picture(), bytes, how));
    all.emplace_back(bytes.begin(), bytes.end());
  }
  return all;
}

void flip_bits(std::string& bytes, Random& random, std::size_t within) {
  for (std::size_t k = 1 + below(random, 64); k > 0; --k) {
    char& c = bytes[below(random, std::min(within, bytes.size()))];
    c = static_cast<char>(static_cast<unsigned char>(c) ^ (1U << below(random, 8)));
  }
}

/// The largest and the most awkward numbers where a header keeps lengths and sizes.
void inflate_field(std::string& bytes, Random& random) {
  constexpr const char* kFields[] = {"\xff\xff\xff\xff", "\x7f\xff\xff\xff", "\xff\xff\xff\x7f",
                                     "\x80\x80\x80\x80", "\xfe\xff\xff\xff"};
  const std::size_t size = 1 + below(random, 4);
  bytes.replace(below(random, std::min<std::size_t>(bytes.size() - 4, 400)), size,
                kFields[below(random, std::size(kFields))], size);
}

std::string damaged(const std::vector<std::string>& all, std::size_t which, Random& random) {
  std::string bytes = all[which];
  switch (below(random, 6)) {
    case 0:
      flip_bits(bytes, random, 400);
      break;
    case 1:
      flip_bits(bytes, random, bytes.size());
      break;
    case 2:
      inflate_field(bytes, random);
      break;
    case 3:
      bytes.resize(below(random, bytes.size()));
      break;
    case 4: {  // a stretch goes, or comes twice
      const std::size_t at = below(random, bytes.size()), size = below(random, 300);
      if (random() % 2 == 0) {
        bytes.erase(at, size);
      } else {
        bytes.insert(at, all[which].substr(at, size));
      }
      break;
    }
    default: {  // the head of one photo on the tail of another
      const std::string& other = all[below(random, all.size())];
      bytes = bytes.substr(0, below(random, 800)) + other.substr(below(random, other.size()));
    }
  }
  return bytes;
}

}  // namespace

TEST_CASE("photos damaged at random are answered within seconds, in one line or in pixels") {
  // An eight-megapixel photo takes some 50 ms here; sanitizers and busy machines take their share.
  constexpr double kMost_s = 5;
  const std::vector<std::string> all = whole_photos();
  int refused = 0, taken = 0;
  for (std::size_t which = 0; which < all.size(); ++which) {
    CHECK(load_bytes(all[which], "whole").ok());
    for (unsigned seed = 0; seed < 150; ++seed) {
      CAPTURE(which);
      CAPTURE(seed);
      Random random(1000 * static_cast<unsigned>(which) + seed);
      const std::string bytes = damaged(all, which, random);
      const auto start = std::chrono::steady_clock::now();
      const auto photo = load_bytes(bytes, "damaged");
      const std::chrono::duration<double> took = std::chrono::steady_clock::now() - start;
      CHECK(took.count() < kMost_s);
      if (!photo.ok()) {
        ++refused;
        CHECK(photo.error().detail.find('\n') == std::string::npos);
        continue;
      }
      ++taken;
      CHECK(!photo->bgr.empty());
      CHECK(photo->bgr.size() == photo->grey.size());
      CHECK(photo->bgr.total() <= panecard::photo::kMaxMegapixels * 1e6);
    }
  }
  CHECK(refused > 300);
  CHECK(taken > 50);  // damage in the pixels alone shows in the picture, not to the reader
}
