#include <doctest/doctest.h>

#include <cmath>
#include <string>
#include <vector>

#include "photo/photo.h"
#include "support/folder.h"

using panecard::Code;
using panecard::Result;
using namespace panecard::photo;
using panecard::support::Folder;

namespace {

Lens sample_lens() {
  Lens lens;
  lens.make = "Example";
  lens.model = "phone-x";
  lens.width_px = 4032;
  lens.height_px = 3024;
  lens.value << 3010.123456789, 2016.7, 1511.2, 0.03, -0.02, 1.0 / 3e3, 1e-4, -2e-4;
  LensMatrix root = LensMatrix::Zero();
  for (int i = 0; i < kLensSize; ++i) {
    for (int j = 0; j <= i; ++j) root(i, j) = 1.0 / (1 + i + 2 * j);
  }
  const LensVector scale = (LensVector() << 3, 1, 1, 1e-3, 1e-3, 1e-3, 1e-5, 1e-5).finished();
  lens.covariance = scale.asDiagonal() * root * root.transpose() * scale.asDiagonal();
  lens.covariance = (lens.covariance + lens.covariance.transpose()).eval() / 2;
  lens.rms_px = 0.123;
  lens.photos = 12;
  lens.orientation = 6;
  return lens;
}

std::string replaced(std::string text, const std::string& from, const std::string& to) {
  const std::size_t at = text.find(from);
  REQUIRE(at != std::string::npos);
  return text.replace(at, from.size(), to);
}

}  // namespace

TEST_CASE("a lens profile reads back equal to the last bit") {
  const Folder folder;
  const Lens lens = sample_lens();
  const Result<Lens> again = read_lens(folder.write("lens.json", lens_to_json(lens)));
  REQUIRE(again.ok());
  CHECK(again->make == lens.make);
  CHECK(again->model == lens.model);
  CHECK(again->width_px == lens.width_px);
  CHECK(again->height_px == lens.height_px);
  CHECK(again->value == lens.value);
  CHECK(again->covariance == lens.covariance);
  CHECK(again->rms_px == lens.rms_px);
  CHECK(again->photos == lens.photos);
  CHECK(again->orientation == lens.orientation);
  CHECK(again->calibrated);
}

TEST_CASE("read_lens refuses a profile that breaks any of its rules") {
  const Folder folder;
  const std::string good = lens_to_json(sample_lens());
  const std::vector<std::pair<std::string, std::string>> edits = {
      {"panecard-lens", "panecard-outline"},
      {"\"version\": 1", "\"version\": 2"},
      {"\"version\": 1", "\"version\": 1.0e0"},
      {"\"width_px\": 4032", "\"width_px\": 0"},
      {"\"width_px\": 4032", "\"width_px\": \"4032\""},
      {"\"height_px\": 3024", "\"height_px\": 1e99"},
      {"\"f_px\": 3010.123456789", "\"f_px\": -3010"},
      {"\"f_px\": 3010.123456789", "\"f_px\": 3"},
      {"\"f_px\": 3010.123456789", "\"f_px\": null"},
      {"\"f_px\": 3010.123456789", "\"f_px\": 1e999"},
      {"\"f_px\"", "\"focal\""},
      {"\"cx_px\": 2016.7", "\"cx_px\": 20167"},
      {"\"k1\": 0.03", "\"k1\": -3"},  // folds over
      {"phone-x", "phone\\n-x"},
      {"phone-x", std::string(65, 'x')},
      {"\"orientation\": 6", "\"orientation\": 9"},
      {"\"rms_px\": 0.123", "\"rms_px\": -1"},
      {"\"covariance\": [", "\"covariance\": [[0],"},
      {"   9.0,", "   -9.0,"},  // variance of f
      {"   9.0,", "   1e-9,"},  // no longer positive semidefinite
      {"}", ""}};
  for (const auto& [from, to] : edits) {
    CAPTURE(from);
    CAPTURE(to);
    const Result<Lens> lens = read_lens(folder.write("lens.json", replaced(good, from, to)));
    CHECK_FALSE(lens.ok());
    if (lens.ok()) continue;
    CHECK(static_cast<int>(lens.error().code) == static_cast<int>(Code::unreadable_file));
    CHECK(lens.error().detail.find('\n') == std::string::npos);
  }
}

TEST_CASE("read_lens survives empty, binary, deep and oversized files") {
  const Folder folder;
  for (const std::string& bytes :
       {std::string(), std::string("\0\xff\xfe", 3), std::string(500000, '['), std::string("[1]"),
        std::string(2 << 20, ' ')}) {
    CAPTURE(bytes.size());
    CHECK_FALSE(read_lens(folder.write("lens.json", bytes)).ok());
  }
  CHECK_FALSE(read_lens(folder.path().string()).ok());
}

TEST_CASE("find_lens takes the first profile that fits the phone, the size and the zoom") {
  const Folder first, second;
  Lens lens = sample_lens();
  lens.orientation = 1;
  second.write("b.json", lens_to_json(lens));
  second.write("a.txt", lens_to_json(lens));
  lens.photos = 99;
  second.write("c.json", lens_to_json(lens));
  first.write("broken.json", "{");
  lens.model = "phone-y";
  first.write("other.json", lens_to_json(lens));

  Exif exif;
  exif.make = "Example";
  exif.model = "phone-x";
  exif.focal_35mm = 26;
  const std::vector<std::string> folders = {first / "missing", first.path().string(),
                                            second.path().string()};
  const auto found = find_lens(exif, 4032, 3024, folders);
  REQUIRE(found);
  CHECK(found->photos == 12);
  CHECK(found->model == "phone-x");
  CHECK(find_lens(exif, 2016, 1512, folders));
  CHECK_FALSE(find_lens(exif, 4032, 2268, folders));
  exif.focal_35mm = 52;  // the same phone, zoomed to twice
  CHECK_FALSE(find_lens(exif, 4032, 3024, folders));
  exif.focal_35mm.reset();
  CHECK(find_lens(exif, 4032, 3024, folders));
  exif.make = "Sample";
  CHECK_FALSE(find_lens(exif, 4032, 3024, folders));
  CHECK_FALSE(find_lens({}, 4032, 3024, folders));
}
