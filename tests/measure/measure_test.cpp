// One photo through the stages: what each refuses, and that the whole is the sum of the stages.
#include "measure/measure.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <string>
#include <vector>

#include "records/records.h"

namespace panecard::measure {
namespace {

const std::string kPhoto = std::string(PANECARD_SAMPLES) + "/slider-inside-sheet/photo.jpg";

}  // namespace

TEST_CASE("no photo, too many and a missing one are refused with their names") {
  CHECK(load({}).error().code == Code::bad_usage);
  const auto many = load(std::vector<std::string>(kMostPhotos + 1, kPhoto));
  REQUIRE(!many.ok());
  CHECK(many.error().code == Code::bad_usage);
  const auto missing = load({"/nowhere/draft-1/photo-1"}, {"IMG 7.jpg"});
  REQUIRE(!missing.ok());
  CHECK(missing.error().code == Code::unreadable_file);
  CHECK(missing.error().detail.find("IMG 7.jpg") != std::string::npos);
  CHECK(missing.error().detail.find("/nowhere") == std::string::npos);
}

TEST_CASE("a photo without a card is refused with its name and the code of that") {
  Photos blank{{"wall.jpg"}, {kPhoto}, {}};
  blank.images.emplace_back();
  blank.images[0].bgr = cv::Mat(600, 800, CV_8UC3, cv::Scalar(90, 110, 120));
  blank.images[0].grey = cv::Mat(600, 800, CV_8U, cv::Scalar(110));
  const auto m = measure(blank, {});
  REQUIRE(!m.ok());
  CHECK(m.error().code == Code::card_not_found);
  CHECK(m.error().detail.find("'wall.jpg'") == 0);
}

TEST_CASE("points outside the photo and a lens for another shape are said before the long work") {
  const auto photos = load({kPhoto});
  REQUIRE(photos.ok());
  Options far;
  far.near = {{1e6, 10}};
  const auto outside = measure(photos.value(), far);
  REQUIRE(!outside.ok());
  CHECK(outside.error().code == Code::bad_usage);
  Options other;
  other.lens = photo::lens_from_exif({}, 1000, 999);
  const auto shape = measure(photos.value(), other);
  REQUIRE(!shape.ok());
  CHECK(shape.error().code == Code::bad_usage);
  CHECK(shape.error().detail.find("1000 x 999") != std::string::npos);
}

TEST_CASE("a sample through the stages one by one is what it is in one go, and names its parts") {
  const auto photos = load({kPhoto}, {"folder/pane one.jpg"});
  REQUIRE(photos.ok());
  Options options;
  options.lens_folders = {PANECARD_LENSES};
  options.seen_from = Side::inside;
  const auto whole = measure(photos.value(), options);
  REQUIRE(whole.ok());
  const auto prepared = prepare(photos.value(), options);
  REQUIRE(prepared.ok());
  const auto traced = trace_boundary(photos.value(), options, prepared.value());
  REQUIRE(traced.ok());
  auto m = summarize(photos.value(), options, prepared.value(), traced.value());
  REQUIRE(m.ok());
  CHECK(m->covariance.points.empty());
  complete(photos.value(), traced.value(), m.value());
  CHECK(records::to_json(m.value()) == records::to_json(whole.value()));
  CHECK(m->photo_name == "pane one.jpg");
  CHECK(m->boundary == "glass");
  REQUIRE(m->cards.size() == 1);
  CHECK(m->cards[0].kind == "sheet");
  CHECK(m->photo_sha256.size() == 64);
  CHECK(!m->verdict.empty());
}

TEST_CASE("a print that measures short makes the pane smaller by as much") {
  const auto photos = load({kPhoto});
  REQUIRE(photos.ok());
  Options options;
  options.lens_folders = {PANECARD_LENSES};
  const auto nominal = measure(photos.value(), options);
  options.printed_bar_mm = 99;
  const auto shorter = measure(photos.value(), options);
  REQUIRE(nominal.ok());
  REQUIRE(shorter.ok());
  const double ratio = shorter->outline.long_mm.value / nominal->outline.long_mm.value;
  CHECK(std::abs(ratio - 0.99) < 2e-4);  // similarity; the card's thickness is not scaled
}

}  // namespace panecard::measure
