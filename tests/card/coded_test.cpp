// Coded boards drawn by OpenCV itself, so that the layout has an outside witness, photographed by a
// pinhole whose truth is exact; and a real photo of a chessboard.

#include "card/coded.h"

#include <doctest/doctest.h>

#include <Eigen/Core>
#include <cmath>
#include <opencv2/aruco/charuco.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <random>

#include "card/board.h"
#include "card/markers.h"
#include "card/saddle.h"
#include "support/chessboard.h"

namespace panecard::card {

namespace {

constexpr int kWidth = 2016, kHeight = 1512;

photo::Lens pinhole() {
  photo::Lens lens;
  lens.width_px = kWidth, lens.height_px = kHeight;
  lens.value << 1500, 1008, 756, 0, 0, 0, 0, 0;
  return lens;
}

/// OpenCV's drawing of one of our boards on a white page, `dots` pixels to the millimetre.
struct Print {
  cv::Mat image;
  double dots = 10;
};

Print print_of(int card_id) {
  const Board board = board_of(card_id);
  cv::Ptr<cv::aruco::Dictionary> dictionary =
      cv::aruco::getPredefinedDictionary(cv::aruco::DICT_5X5_1000);
  if (board.first_marker > 0) {
    const cv::Mat own =
        dictionary->bytesList.rowRange(board.first_marker, board.first_marker + board.markers());
    dictionary = cv::makePtr<cv::aruco::Dictionary>(own.clone(), 5, 0);
  }
  const auto charuco = cv::aruco::CharucoBoard::create(
      board.columns, board.rows, static_cast<float>(board.square_mm),
      static_cast<float>(board.marker_mm), dictionary);
  Print print;
  // A square's side must be a whole number of dots, and so must a marker's module.
  print.dots = card_id == kSheetId ? 28 * 4 / 26.0 : 28 * 4 / 16.0;
  cv::Mat drawn;
  charuco->draw(cv::Size(board.columns * 112, board.rows * 112), drawn, 0, 1);
  const int margin = card_id == kSheetId ? 112 : 21;
  cv::copyMakeBorder(drawn, print.image, margin, margin, margin, margin, cv::BORDER_CONSTANT,
                     cv::Scalar(255));
  return print;
}

/// Photo pixels (centres at +0.5) from board millimetres.
cv::Matx33d look(double tilt_deg, double spin_deg, double distance_mm, PointMm middle) {
  const double rad = CV_PI / 180, a = tilt_deg * rad, s = spin_deg * rad;
  const cv::Matx33d spin(std::cos(s), -std::sin(s), 0, std::sin(s), std::cos(s), 0, 0, 0, 1);
  const cv::Matx33d tilt(std::cos(a), 0, std::sin(a), 0, 1, 0, -std::sin(a), 0, std::cos(a));
  const cv::Matx33d flip(1, 0, 0, 0, -1, 0, 0, 0, -1);
  const cv::Matx33d r = tilt * spin * flip;
  const cv::Matx33d k(1500, 0, 1008, 0, 1500, 756, 0, 0, 1);
  return k * cv::Matx33d(r(0, 0), r(0, 1), middle.x, r(1, 0), r(1, 1), middle.y, r(2, 0), r(2, 1),
                         distance_mm);
}

PointPx seen(const cv::Matx33d& px_from_mm, PointMm p) {
  const cv::Vec3d q = px_from_mm * cv::Vec3d(p.x, p.y, 1);
  return {q[0] / q[2], q[1] / q[2]};
}

/// Adds a print to a photo by averaging 4 x 4 rays per pixel.
void photograph(const Print& print, const cv::Matx33d& px_from_mm, cv::Mat& grey) {
  constexpr int kRays = 4;
  const double w = print.image.cols, h = print.image.rows;
  // Drawing pixels with centres at integers, as OpenCV warps.
  const cv::Matx33d mm_from_print(1 / print.dots, 0, (0.5 - 0.5 * w) / print.dots, 0,
                                  -1 / print.dots, (0.5 * h - 0.5) / print.dots, 0, 0, 1);
  const cv::Matx33d fine(kRays, 0, -0.5, 0, kRays, -0.5, 0, 0, 1);
  cv::Mat big(kRays * kHeight, kRays * kWidth, CV_8U, cv::Scalar(0)), cover = big.clone();
  const cv::Matx33d warp = fine * px_from_mm * mm_from_print;
  cv::warpPerspective(print.image, big, warp, big.size(), cv::INTER_LINEAR);
  cv::warpPerspective(cv::Mat(print.image.size(), CV_8U, cv::Scalar(255)), cover, warp,
                      cover.size(), cv::INTER_LINEAR);
  cv::resize(big, big, grey.size(), 0, 0, cv::INTER_AREA);
  cv::resize(cover, cover, grey.size(), 0, 0, cv::INTER_AREA);
  big.copyTo(grey, cover > 128);
}

cv::Mat pane() { return cv::Mat(kHeight, kWidth, CV_8U, cv::Scalar(60)); }

photo::Photo developed(cv::Mat grey, double blur_px, double noise, unsigned seed) {
  cv::GaussianBlur(grey, grey, {}, blur_px);
  cv::RNG random(seed);
  cv::Mat grain(grey.size(), CV_16S);
  random.fill(grain, cv::RNG::NORMAL, 0, noise);
  cv::Mat wide;
  grey.convertTo(wide, CV_16S, 0.8, 20);
  wide += grain;
  photo::Photo photo;
  wide.convertTo(photo.grey, CV_8U);
  return photo;
}

}  // namespace

TEST_CASE(
    "boards as OpenCV draws them are found and their crossings measured to a few hundredths") {
  struct Row {
    int card;
    double tilt_deg, spin_deg, distance_mm;
    PointMm middle;
    double blur_px;
  };
  const std::vector<Row> rows = {
      {kSheetId, 20, 10, 500, {0, 0}, 0.8},     {kSheetId, -35, 100, 600, {60, -20}, 1.2},
      {kSheetId, 5, 190, 900, {-150, 60}, 0.7}, {0, 15, 5, 300, {0, 0}, 0.8},
      {7, -25, 170, 350, {80, 30}, 1.0},        {31, 30, 60, 250, {-40, 10}, 0.7},
      {12, 10, -40, 600, {200, 100}, 0.7},
  };
  unsigned seed = 1;
  for (const Row& row : rows) {
    CAPTURE(row.card);
    CAPTURE(row.distance_mm);
    cv::Mat grey = pane();
    const cv::Matx33d truth = look(row.tilt_deg, row.spin_deg, row.distance_mm, row.middle);
    photograph(print_of(row.card), truth, grey);
    const CodedDetection found =
        detect_coded_cards(developed(grey, row.blur_px, 2, seed++), pinhole());
    REQUIRE(found.cards.size() == 1);
    const DetectedCard& card = found.cards[0];
    const Board board = board_of(row.card);
    CHECK(card.kind == (row.card == kSheetId ? Kind::sheet : Kind::card));
    CHECK(card.id == std::max(0, row.card));
    CHECK(card.corners.size() == static_cast<std::size_t>((board.columns - 1) * (board.rows - 1)));
    double sum_x = 0, sum_y = 0, squares = 0;
    for (const Corner& corner : card.corners) {
      const PointPx t = seen(truth, corner.on_card);
      sum_x += corner.seen.x - t.x, sum_y += corner.seen.y - t.y;
      squares += std::pow(corner.seen.x - t.x, 2) + std::pow(corner.seen.y - t.y, 2);
    }
    const double n = static_cast<double>(card.corners.size());
    CHECK(std::abs(sum_x / n) < 0.03);
    CHECK(std::abs(sum_y / n) < 0.03);
    CHECK(std::sqrt(0.5 * squares / n) < 0.05);
    CHECK(card.edges.size() >= (row.card == kSheetId ? 12U : 6U));
    for (const Edge& edge : card.edges) {
      const PointPx a = seen(truth, edge.a), b = seen(truth, edge.b);
      const double length = std::hypot(b.x - a.x, b.y - a.y);
      for (const PointPx p : edge.seen) {
        CHECK(std::abs((b.x - a.x) * (p.y - a.y) - (b.y - a.y) * (p.x - a.x)) / length < 0.15);
      }
    }
  }
}

TEST_CASE("several cards in one photo are all found, and the same number twice is two cards") {
  cv::Mat grey = pane();
  photograph(print_of(3), look(10, 0, 500, {-120, -60}), grey);
  photograph(print_of(4), look(10, 90, 500, {120, -60}), grey);
  photograph(print_of(3), look(10, 30, 500, {0, 100}), grey);
  const CodedDetection found = detect_coded_cards(developed(grey, 0.8, 2, 9), pinhole());
  REQUIRE(found.cards.size() == 3);
  int threes = 0;
  for (const DetectedCard& card : found.cards) threes += card.id == 3 ? 1 : 0;
  CHECK(threes == 2);
}

TEST_CASE("a covered part of a card leaves the rest in use") {
  cv::Mat grey = pane();
  const cv::Matx33d truth = look(15, 0, 500, {0, 0});
  photograph(print_of(kSheetId), truth, grey);
  const PointPx hand = seen(truth, {60, 60});
  cv::circle(grey, cv::Point(static_cast<int>(hand.x), static_cast<int>(hand.y)), 110,
             cv::Scalar(110), cv::FILLED);
  const CodedDetection found = detect_coded_cards(developed(grey, 0.8, 2, 10), pinhole());
  REQUIRE(found.cards.size() == 1);
  CHECK(found.cards[0].corners.size() < 48);
  CHECK(found.cards[0].corners.size() >= 35);
  for (const Corner& corner : found.cards[0].corners) {
    const PointPx t = seen(truth, corner.on_card);
    CHECK(std::hypot(corner.seen.x - t.x, corner.seen.y - t.y) < 0.25);
  }
}

TEST_CASE("a card cut off, from behind, too small or absent is said to be so") {
  cv::Mat cut = pane();
  photograph(print_of(2), look(10, 0, 300, {195, 0}), cut);
  const CodedDetection at_edge = detect_coded_cards(developed(cut, 0.8, 2, 11), pinhole());
  CHECK(at_edge.cards.empty());
  CHECK(at_edge.cut_off.size() == 1);

  cv::Mat behind = pane();
  photograph(print_of(2), look(10, 0, 300, {0, 0}), behind);
  cv::flip(behind, behind, 1);
  const CodedDetection mirrored = detect_coded_cards(developed(behind, 0.8, 2, 12), pinhole());
  CHECK(mirrored.cards.empty());
  CHECK(mirrored.mirrored_markers >= 4);

  photo::Photo empty = developed(pane(), 0.8, 8, 13);
  const CodedDetection nothing = detect_coded_cards(empty, pinhole());
  CHECK(nothing.cards.empty());
  CHECK(nothing.cut_off.empty());
  CHECK(nothing.mirrored_markers == 0);

  empty.grey = cv::Mat(3, 3, CV_8U, cv::Scalar(0));
  CHECK(detect_coded_cards(empty, pinhole()).cards.empty());
}

TEST_CASE("every marker of every board belongs to it, and no other marker does") {
  int ours = 0;
  for (int id = -1; id < 1000; ++id) ours += card_of_marker(id).has_value() ? 1 : 0;
  CHECK(ours == 31 + 32 * 7);
  CHECK(card_of_marker(0) == kSheetId);
  CHECK(card_of_marker(30) == kSheetId);
  CHECK(!card_of_marker(31));
  CHECK(!card_of_marker(63));
  CHECK(card_of_marker(64) == 0);
  CHECK(card_of_marker(70) == 0);
  CHECK(!card_of_marker(71));
  CHECK(card_of_marker(64 + 8 * 31 + 6) == 31);
  CHECK(!card_of_marker(64 + 8 * 32));
}

TEST_CASE(
    "crossings of a real chessboard lie on a plane more exactly than OpenCV's, and where it sees "
    "them") {
  // data/README.md: places by findChessboardCorners and cornerSubPix, pixel centres at integers;
  // lens by OpenCV's calibration of all 13 photos of the left camera, so that the board's flatness
  // can judge both.
  auto places = support::chessboard_corners(PANECARD_TEST_DATA "/chessboard-corners.csv");
  photo::Lens lens;
  lens.value << 532.887, 342.987, 234.356, -0.28088, 0.02518, 0.16343, 0.001217, -0.000136;
  lens.calibrated = true;
  for (const std::string name : {"left01.jpg", "left05.jpg"}) {
    CAPTURE(name);
    const cv::Mat grey =
        cv::imread(std::string(PANECARD_TEST_DATA "/") + name, cv::IMREAD_GRAYSCALE);
    REQUIRE(!grey.empty());
    std::vector<PointPx> at;
    for (const support::BoardCorner& corner : places[name]) at.push_back(corner.seen);
    REQUIRE(at.size() == 54);
    DetectedCard ours;
    ours.kind = Kind::plain, ours.width_mm = 180, ours.height_mm = 90;
    DetectedCard theirs = ours;
    Eigen::Vector2d sum(0, 0);
    double squares = 0;
    for (std::size_t row = 1; row < 5; ++row) {
      for (std::size_t column = 1; column < 8; ++column) {
        const auto p = [&](std::size_t c, std::size_t r) {
          return Eigen::Vector2d(at[9 * r + c].x, at[9 * r + c].y);
        };
        const PointPx rough{at[9 * row + column].x + 0.9, at[9 * row + column].y - 0.7};
        const Eigen::Vector2d right = 0.5 * (p(column + 1, row) - p(column - 1, row));
        const Eigen::Vector2d down = 0.5 * (p(column, row + 1) - p(column, row - 1));
        const PointMm on{30.0 * (static_cast<double>(column) - 4),
                         -30.0 * (static_cast<double>(row) - 2.5)};
        for (const bool black : {false, true}) {  // only the right colour fits
          const auto fit = fit_saddle(grey, rough, right, down, black);
          if (!fit) continue;
          ours.corners.push_back({on, fit->at, 0.1});
          theirs.corners.push_back({on, at[9 * row + column], 0.1});
          const Eigen::Vector2d off = Eigen::Vector2d(fit->at.x, fit->at.y) - p(column, row);
          sum += off, squares += off.squaredNorm();
        }
      }
    }
    REQUIRE(ours.corners.size() == 28);
    CHECK(sum.norm() / 28 < 0.06);  // a convention half a pixel off would show here
    CHECK(std::sqrt(squares / 56) < 0.15);
    const auto our_plane = fit_plane({ours}, lens), their_plane = fit_plane({theirs}, lens);
    REQUIRE(our_plane.ok());
    REQUIRE(their_plane.ok());
    CHECK(our_plane->rms_px < their_plane->rms_px);
    CHECK(our_plane->rms_px < 0.1);
  }
}

}  // namespace panecard::card
