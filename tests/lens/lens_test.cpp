// Lens calibration against published calibrations and against photos with exact truth.

#include "lens/lens.h"

#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <array>
#include <cmath>
#include <fstream>
#include <opencv2/calib3d.hpp>
#include <random>

#include "lens/bundle.h"
#include "support/chessboard.h"

namespace panecard::lens {

namespace {

std::vector<double> numbers(const std::string& path) {
  std::ifstream file(path);
  std::vector<double> values;
  for (double v = 0; file >> v;) values.push_back(v);
  return values;
}

/// data/README.md: 256 corners of black squares, inches and pixels.
std::vector<View> zhang_views() {
  const std::vector<double> model = numbers(PANECARD_TEST_DATA "/Model.txt");
  std::vector<View> views;
  for (const char* name : {"data1", "data2", "data3", "data4", "data5"}) {
    const std::vector<double> data = numbers(std::string(PANECARD_TEST_DATA "/") + name + ".txt");
    View view;
    view.name = name;
    for (std::size_t i = 0; i + 1 < std::min(model.size(), data.size()); i += 2) {
      view.corners.push_back({{25.4 * model[i], 25.4 * model[i + 1]}, {data[i], data[i + 1]}, 0.2});
    }
    views.push_back(view);
  }
  return views;
}

std::vector<View> chessboard_views(const std::string& side) {
  std::vector<View> views;
  for (const auto& [name, corners] :
       support::chessboard_corners(PANECARD_TEST_DATA "/../../card/data/chessboard-corners.csv")) {
    if (name.rfind(side, 0) != 0) continue;
    views.push_back({name, {}});
    for (const support::BoardCorner& c : corners)
      views.back().corners.push_back({{30 * c.column - 120, 75 - 30 * c.row}, c.seen, 0.1});
  }
  return views;
}

struct Made {
  photo::LensVector truth;
  std::vector<View> views;
};

/// Noisy views of the sheet's 48 crossings through a known lens; `tilt_deg` how far they lean.
Made made_views(int count, double tilt_deg, unsigned seed, double p1 = 0) {
  Made made;
  made.truth << 3010, 2016, 1512, 0.03, -0.02, 0, p1, 0;
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  for (int i = 0; i < count; ++i) {
    const double a = 2.39996 * i;  // golden angle: leaning every way
    const double rad = tilt_deg * 3.14159265358979323846 / 180;
    const Eigen::Matrix3d r =
        (Eigen::AngleAxisd(rad, Eigen::Vector3d(std::cos(a), std::sin(a), 0)) *
         Eigen::AngleAxisd(3.14159265358979323846, Eigen::Vector3d::UnitX()))
            .toRotationMatrix();
    const Eigen::Vector3d t(110 * std::cos(1.7 * i), 70 * std::sin(2.3 * i), 420);
    View view;
    view.name = "photo " + std::to_string(i);
    for (int k = 0; k < 48; ++k) {
      const PointMm on{(k % 6 - 2.5) * 26, (3.5 - k / 6) * 26};
      const Eigen::Vector3d p = r * Eigen::Vector3d(on.x, on.y, 0) + t;
      PointPx px = photo::distort(made.truth, p.x() / p.z(), p.y() / p.z());
      px.x += 0.05 * normal(random), px.y += 0.05 * normal(random);
      if (px.x < 0 || px.y < 0 || px.x > 4032 || px.y > 3024) continue;
      view.corners.push_back({on, px, 0.05});
    }
    made.views.push_back(view);
  }
  return made;
}

}  // namespace

TEST_CASE("Zhang's data give his published lens within his published uncertainty") {
  // Zhang, MSR-TR-98-71 (1998): alpha 832.5, beta 832.53, skew 0.2, u0 303.959, v0 206.585, k1
  // -0.2286, k2 0.1904; his standard deviations 1.41, 0.71, 0.66, 0.006, 0.025; rms 0.335 px.
  // OpenCV without skew: 832.207, 304.068, 206.372, -0.22853, 0.19101, rms 0.33689 px.
  const std::vector<View> views = zhang_views();
  REQUIRE(views.size() == 5);
  REQUIRE(views[0].corners.size() == 256);
  const auto first = initial_bundle(views, 640, 480);
  REQUIRE(first);
  const auto solved =
      solve(*first, views, {photo::kF, photo::kCx, photo::kCy, photo::kK1, photo::kK2});
  REQUIRE(solved);
  const photo::LensVector& lens = solved->bundle.lens;
  CHECK(std::abs(lens[photo::kF] - 832.5) < 3 * 1.41);
  CHECK(std::abs(lens[photo::kCx] - 303.959) < 3 * 0.71);
  CHECK(std::abs(lens[photo::kCy] - 206.585) < 3 * 0.66);
  CHECK(std::abs(lens[photo::kK1] - -0.228601) < 3 * 0.006);
  CHECK(std::abs(lens[photo::kK2] - 0.190353) < 3 * 0.025);
  double squares = 0;
  for (const double rms : solved->view_rms_px) squares += rms * rms / 5;
  CHECK(std::abs(std::sqrt(squares) - 0.3366) < 0.005);
  const double scale = std::sqrt(solved->cost / solved->degrees_of_freedom);
  CHECK(std::abs(scale * std::sqrt(solved->covariance(photo::kF, photo::kF)) - 1.41) < 0.5);
  CHECK(std::abs(scale * std::sqrt(solved->covariance(photo::kCx, photo::kCx)) - 0.71) < 0.35);
}

TEST_CASE("OpenCV's chessboard photos give the published lenses") {
  // Bouguet's calibration toolbox, example 5: left f 533.07, c (341.6, 234.3); right f 536.7,
  // c (326.5, 249.3), pixel centres at integers; the tolerance is its spread against OpenCV's own
  // result.
  struct Row {
    const char* side;
    double f, cx, cy, rms_px;  // rms: OpenCV 4.6 calibrateCamera on the same corners
  };
  for (const Row& row :
       {Row{"left", 533.07, 341.6, 234.3, 0.1954}, Row{"right", 536.7, 326.5, 249.3, 0.2070}}) {
    CAPTURE(row.side);
    const auto result = calibrate(chessboard_views(row.side), 640, 480);
    REQUIRE(result.ok());
    const photo::LensVector& lens = result->lens.value;
    CHECK(std::abs(lens[photo::kF] - row.f) < 2);
    CHECK(std::abs(lens[photo::kCx] - 0.5 - row.cx) < 2);
    CHECK(std::abs(lens[photo::kCy] - 0.5 - row.cy) < 2);
    CHECK(std::abs(result->lens.rms_px - row.rms_px) < 0.02);
    CHECK(result->lens.photos == 13);
  }
}

TEST_CASE("a known lens is found within the uncertainty that is stated") {
  double squares = 0, count = 0;
  for (unsigned seed = 0; seed < 12; ++seed) {
    const Made made = made_views(12, 28, seed);
    const auto result = calibrate(made.views, 4032, 3024);
    REQUIRE(result.ok());
    const photo::Lens& lens = result->lens;
    CHECK(lens.calibrated);
    CHECK(std::abs(lens.rms_px - 0.05 * std::sqrt(2.0)) < 0.006);
    std::vector<int> free;
    for (int i = 0; i < photo::kLensSize; ++i) {
      if (lens.covariance(i, i) > 0) free.push_back(i);
    }
    CHECK(free.size() >= 5);
    const Eigen::VectorXd error = (lens.value - made.truth)(free);
    const Eigen::MatrixXd covariance = lens.covariance(free, free);
    squares += error.dot(covariance.ldlt().solve(error));
    count += static_cast<double>(free.size());
  }
  // Chi-square over its degrees of freedom (60 and more): 1 +- 0.18.
  CHECK(squares / count > 0.5);
  CHECK(squares / count < 1.6);
}

TEST_CASE("a tangential distortion is fitted when it is there, and left alone when it is not") {
  const auto without = calibrate(made_views(12, 28, 5).views, 4032, 3024);
  const auto with = calibrate(made_views(12, 28, 5, 0.001).views, 4032, 3024);
  REQUIRE(without.ok());
  REQUIRE(with.ok());
  CHECK(without->lens.value[photo::kP1] == 0);
  CHECK(without->lens.covariance(photo::kP1, photo::kP1) == 0);
  CHECK(std::abs(with->lens.value[photo::kP1] - 0.001) < 0.0002);
}

TEST_CASE("the same views give OpenCV's lens") {
  const Made made = made_views(10, 30, 6);
  const auto ours = calibrate(made.views, 4032, 3024);
  REQUIRE(ours.ok());
  std::vector<std::vector<cv::Point3f>> board;
  std::vector<std::vector<cv::Point2f>> image;
  for (const View& view : made.views) {
    board.emplace_back();
    image.emplace_back();
    for (const card::Corner& corner : view.corners) {
      board.back().emplace_back(static_cast<float>(corner.on_card.x),
                                static_cast<float>(-corner.on_card.y), 0.F);
      image.back().emplace_back(static_cast<float>(corner.seen.x - 0.5),
                                static_cast<float>(corner.seen.y - 0.5));
    }
  }
  cv::Mat k = cv::Mat::eye(3, 3, CV_64F), d;
  std::vector<cv::Mat> r, t;
  cv::calibrateCamera(board, image, {4032, 3024}, k, d, r, t,
                      cv::CALIB_FIX_ASPECT_RATIO | cv::CALIB_ZERO_TANGENT_DIST | cv::CALIB_FIX_K3);
  CHECK(std::abs(ours->lens.value[photo::kF] - k.at<double>(0, 0)) < 0.8);
  CHECK(std::abs(ours->lens.value[photo::kCx] - 0.5 - k.at<double>(0, 2)) < 0.8);
  CHECK(std::abs(ours->lens.value[photo::kCy] - 0.5 - k.at<double>(1, 2)) < 0.8);
  CHECK(std::abs(ours->lens.value[photo::kK1] - d.at<double>(0)) < 0.002);
}

TEST_CASE("too few photos, photos all alike and a photo that does not fit are told") {
  CHECK(calibrate({}, 4032, 3024).error().code == Code::too_few_photos);
  CHECK(calibrate(made_views(5, 28, 1).views, 4032, 3024).error().code == Code::too_few_photos);
  CHECK(calibrate(made_views(8, 0, 1).views, 4032, 3024).error().code == Code::poses_too_alike);

  Made made = made_views(10, 28, 2);
  for (std::size_t i = 0; i < made.views[3].corners.size(); ++i) {
    made.views[3].corners[i].seen.x += 0.6 * std::sin(static_cast<double>(i));
  }
  const auto result = calibrate(made.views, 4032, 3024);
  REQUIRE(result.ok());
  CHECK(result->lens.photos == 9);
  bool named = false;
  for (const Finding& finding : result->findings) {
    named = named || (finding.code == "photo_disagrees" &&
                      finding.text.find("photo 3") != std::string::npos);
  }
  CHECK(named);
}

TEST_CASE("photos that leave a corner of the picture unseen are told") {
  Made made = made_views(12, 28, 4);
  for (View& view : made.views) {
    std::erase_if(view.corners, [](const card::Corner& c) { return c.seen.x > 2900; });
  }
  const auto result = calibrate(made.views, 4032, 3024);
  REQUIRE(result.ok());
  bool told = false;
  for (const Finding& finding : result->findings)
    told = told || finding.code == "edges_not_covered";
  CHECK(told);
}

}  // namespace panecard::lens
