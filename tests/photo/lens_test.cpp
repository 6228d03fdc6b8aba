#include <doctest/doctest.h>

#include <cmath>
#include <opencv2/calib3d.hpp>
#include <random>
#include <vector>

#include "photo/photo.h"

using panecard::PointPx;
using namespace panecard::photo;

namespace {

LensVector vector_of(double f, double cx, double cy, double k1, double k2, double k3, double p1,
                     double p2) {
  LensVector lens;
  lens << f, cx, cy, k1, k2, k3, p1, p2;
  return lens;
}

/// OpenCV's order is k1, k2, p1, p2, k3.
cv::Vec<double, 5> opencv_distortion(const LensVector& lens) {
  return {lens[kK1], lens[kK2], lens[kP1], lens[kP2], lens[kK3]};
}

cv::Matx33d opencv_camera(const LensVector& lens) {
  return {lens[kF], 0, lens[kCx], 0, lens[kF], lens[kCy], 0, 0, 1};
}

std::vector<LensVector> random_lenses(int count) {
  std::mt19937 random(11);
  std::normal_distribution<double> n;
  std::vector<LensVector> lenses;
  while (lenses.size() < static_cast<std::size_t>(count)) {
    const LensVector lens = vector_of(3000 + 300 * n(random), 2016 + 40 * n(random),
                                      1512 + 40 * n(random), 0.06 * n(random), 0.03 * n(random),
                                      0.01 * n(random), 0.001 * n(random), 0.001 * n(random));
    bool usable = true;
    for (const PointPx corner : {PointPx{0, 0}, {4032, 0}, {4032, 3024}, {0, 3024}}) {
      usable = usable && undistort(lens, corner).allFinite();
    }
    if (usable) lenses.push_back(lens);
  }
  return lenses;
}

Lens profile_of(int width_px, int height_px) {
  Lens lens;
  lens.width_px = width_px;
  lens.height_px = height_px;
  lens.value =
      vector_of(3000, 0.5 * width_px + 31, 0.5 * height_px - 17, 0.03, -0.02, 0.004, 4e-4, -7e-4);
  lens.covariance = LensVector(vector_of(9, 4, 6.25, 1e-5, 2e-5, 3e-6, 1e-8, 2e-8)).asDiagonal();
  lens.covariance(kCx, kP2) = lens.covariance(kP2, kCx) = 1e-4;
  lens.covariance(kCy, kP1) = lens.covariance(kP1, kCy) = 1.5e-4;
  return lens;
}

}  // namespace

TEST_CASE("distort agrees with cv::projectPoints") {
  int compared = 0;
  for (const LensVector& lens : random_lenses(20)) {
    for (double x = -0.6; x <= 0.6; x += 0.3) {
      for (double y = -0.5; y <= 0.5; y += 0.25) {
        std::vector<cv::Point2d> seen;
        cv::projectPoints(std::vector<cv::Point3d>{{2 * x, 2 * y, 2}}, cv::Vec3d(), cv::Vec3d(),
                          opencv_camera(lens), opencv_distortion(lens), seen);
        const PointPx px = distort(lens, x, y);
        CHECK(std::hypot(px.x - seen[0].x, px.y - seen[0].y) <= 1e-9);
        ++compared;
      }
    }
  }
  CHECK(compared == 500);
}

TEST_CASE("undistort agrees with cv::undistortPoints over the whole photo") {
  int compared = 0;
  for (const LensVector& lens : random_lenses(50)) {
    std::vector<cv::Point2d> pixels, directions;
    for (double x = 0; x <= 4032; x += 504) {
      for (double y = 0; y <= 3024; y += 504) pixels.emplace_back(x, y);
    }
    cv::undistortPoints(pixels, directions, opencv_camera(lens), opencv_distortion(lens),
                        cv::noArray(), cv::noArray(),
                        {cv::TermCriteria::COUNT | cv::TermCriteria::EPS, 1000, 1e-14});
    for (std::size_t i = 0; i < pixels.size(); ++i) {
      const Eigen::Vector2d mine = undistort(lens, {pixels[i].x, pixels[i].y});
      CHECK((mine - Eigen::Vector2d(directions[i].x, directions[i].y)).norm() <= 1e-11);
      ++compared;
    }
  }
  CHECK(compared == 50 * 63);
}

TEST_CASE("undistort finds the direction again, also where the distortion is strong") {
  const LensVector strong[] = {vector_of(1000, 0, 0, -0.3, 0.1, 0, 0, 0),
                               vector_of(1000, 0, 0, 0.5, 0.5, 0.5, 0, 0),
                               vector_of(1000, 0, 0, -0.33, 0, 0, 0, 0),
                               vector_of(1000, 0, 0, -0.2, 0.05, -0.002, 0.002, -0.002)};
  int found = 0;
  for (const LensVector& lens : strong) {
    for (double r = 0; r < 1.03; r += 0.09) {
      const Eigen::Vector2d direction(r * 0.6, -r * 0.8);
      const Eigen::Vector2d again = undistort(lens, distort(lens, direction.x(), direction.y()));
      CHECK((again - direction).norm() <= 1e-9);
      ++found;
    }
  }
  CHECK(found == 48);
}

TEST_CASE("undistort says NaN where the distortion has folded over") {
  // r (1 - r^2 / 2) is largest at r^2 = 2/3, where it is 0.5443.
  const LensVector barrel = vector_of(1000, 0, 0, -0.5, 0, 0, 0, 0);
  CHECK(undistort(barrel, {540, 0}).allFinite());
  CHECK(undistort(barrel, {540, 0}).norm() < std::sqrt(2.0 / 3));
  CHECK_FALSE(undistort(barrel, {550, 0}).allFinite());
  // 1 - 3 s + 2 s^2 is negative between s = 0.5 and 1; beyond, the map grows again: 0.4243 is the
  // first branch's end and 0.467 lies on the second branch only.
  const LensVector wave = vector_of(1000, 0, 0, -1, 0.4, 0, 0, 0);
  CHECK(undistort(wave, {420, 0}).allFinite());
  CHECK_FALSE(undistort(wave, {0, 467}).allFinite());
  // The same fold through the cubic term: slope 1 - 3 s + 2.1 s^2 - 0.007 s^3.
  const LensVector cubic = vector_of(1000, 0, 0, -1, 0.42, -0.001, 0, 0);
  CHECK_FALSE(undistort(cubic, {0, 490}).allFinite());
}

TEST_CASE("lens_from_exif takes the 35 mm equivalent by the frame's diagonal") {
  // CIPA DCG-001: equal diagonal angle of view to 36 x 24 mm, whose diagonal is 43.27 mm.
  Exif exif;
  exif.focal_35mm = 43;
  CHECK(std::abs(lens_from_exif(exif, 4000, 3000).value[kF] / 5000 - 43 / 43.267) <= 1e-4);
  exif.focal_35mm = 26;
  const Lens lens = lens_from_exif(exif, 4032, 3024);
  CHECK(std::abs(lens.value[kCx] - 2016) <= 1e-12);
  CHECK(std::abs(lens.value[kCy] - 1512) <= 1e-12);
  const double sigma = std::sqrt(lens.covariance(kF, kF)) / lens.value[kF];
  // Half a millimetre of rounding alone is 1.9 % of 26 mm, as a rectangle 1.11 %.
  CHECK(sigma > 0.0111);
  CHECK(sigma < 0.02);
  // A maker who scales by the width is off by (36 / 4) / (43.27 / 5) - 1 = 4.0 %: 3 sd at most.
  CHECK(0.04 <= 3 * sigma);
  CHECK(lens.covariance(kK3, kK3) == 0);
  CHECK_FALSE(lens.calibrated);
}

TEST_CASE("lens_from_exif without EXIF doubts the focal length by 15 %") {
  const Lens lens = lens_from_exif({}, 3024, 4032);
  CHECK(std::abs(std::sqrt(lens.covariance(kF, kF)) / lens.value[kF] - 0.15) <= 1e-12);
  CHECK(std::abs(lens.value[kF] - 26 / 43.267 * 5040) <= 0.1);
}

TEST_CASE("adapt_profile turns a profile exactly as the photo is turned") {
  // Clockwise by a quarter, a pixel (u, v) of a photo of height h comes to (h - v, u) and the
  // direction (x, y), y down, to (-y, x).
  constexpr int kOrientations[] = {1, 6, 3, 8};  // each a quarter clockwise from the one before
  int turned = 0;
  for (int from = 0; from < 4; ++from) {
    for (int quarters = 0; quarters < 4; ++quarters) {
      CAPTURE(from);
      CAPTURE(quarters);
      Lens profile = profile_of(4032, 3024);
      profile.orientation = kOrientations[from];
      Eigen::Vector2d direction(0.31, -0.22);
      PointPx px = distort(profile.value, direction.x(), direction.y());
      int width = 4032, height = 3024;
      for (int i = 0; i < quarters; ++i) {
        px = {height - px.y, px.x};
        direction = {-direction.y(), direction.x()};
        std::swap(width, height);
      }
      const auto lens = adapt_profile(profile, width, height, kOrientations[(from + quarters) % 4]);
      CHECK(lens.has_value());
      if (!lens) continue;
      const PointPx mine = distort(lens->value, direction.x(), direction.y());
      CHECK(std::hypot(mine.x - px.x, mine.y - px.y) <= 1e-9);
      CHECK(lens->covariance(kF, kF) == 9);
      const bool upended = quarters % 2 == 1;
      CHECK(std::abs(lens->covariance(kCx, kCx) - (upended ? 6.25 : 4)) <= 1e-12);
      ++turned;
    }
  }
  CHECK(turned == 16);
}

TEST_CASE("adapt_profile scales a profile to a smaller photo of the same shape") {
  const Lens profile = profile_of(4032, 3024);
  const auto half = adapt_profile(profile, 2016, 1512);
  REQUIRE(half);
  const PointPx large = distort(profile.value, 0.3, 0.2), little = distort(half->value, 0.3, 0.2);
  CHECK(std::hypot(little.x - large.x / 2, little.y - large.y / 2) <= 1e-9);
  CHECK(std::abs(half->covariance(kCx, kCx) - 1) <= 1e-12);
  CHECK(std::abs(half->covariance(kCx, kP2) - 0.5e-4) <= 1e-16);
  CHECK(half->covariance(kK1, kK1) == profile.covariance(kK1, kK1));
  CHECK(adapt_profile(profile, 1000, 750));
  CHECK_FALSE(adapt_profile(profile, 4032, 2268));  // 16:9, cropped
  CHECK_FALSE(adapt_profile(profile, 3024, 3024));
  CHECK_FALSE(adapt_profile(profile, 0, 0));
}

TEST_CASE(
    "adapt_profile doubts the optical centre when nobody says which way the photo was turned") {
  const Lens profile = profile_of(4032, 3024);
  const auto lens =
      adapt_profile(profile, 3024, 4032, 1);  // upright by shape, untouched by its EXIF
  REQUIRE(lens);
  CHECK(lens->value[kCx] == 1512);
  CHECK(std::abs(lens->covariance(kCx, kCx) - (6.25 + 17 * 17)) <= 1e-9);
  CHECK(std::abs(lens->covariance(kCy, kCy) - (4 + 31 * 31)) <= 1e-9);
}
