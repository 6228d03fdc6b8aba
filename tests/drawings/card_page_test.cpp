// Card pages rasterised by Poppler and librsvg, read back by OpenCV's ArUco module.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <opencv2/aruco/charuco.hpp>
#include <opencv2/imgproc.hpp>

#include "drawings/drawings.h"
#include "support/outside.h"

using namespace panecard;
using namespace panecard::drawings;

namespace {

constexpr double kPxPerMm = 8;
constexpr double kTolerance = 0.05;

cv::Ptr<cv::aruco::Dictionary> dictionary() {
  return cv::aruco::getPredefinedDictionary(cv::aruco::DICT_5X5_1000);
}

std::vector<bool> bits(int id) {
  cv::Mat picture;
  dictionary()->drawMarker(id, 7, picture, 1);
  std::vector<bool> out;
  for (int i = 0; i < 49; ++i) out.push_back(picture.at<unsigned char>(i / 7, i % 7) == 0);
  return out;
}

struct BoardSize {
  int columns, rows;
  double square, marker;
  int first_id;
};

// Both in page mm, y down.
struct Found {
  std::map<int, cv::Point2d> marker_centres;
  std::vector<cv::Point2d> corners;
};

Found read_page(const cv::Mat& page) {
  std::vector<std::vector<cv::Point2f>> markers;
  std::vector<int> ids;
  cv::aruco::detectMarkers(page, dictionary(), markers, ids);
  Found out;
  for (std::size_t i = 0; i < ids.size(); ++i) {
    cv::Point2f sum;
    for (const cv::Point2f p : markers[i]) sum += p;
    out.marker_centres[ids[i]] = (cv::Point2d(sum) / 4 + cv::Point2d(0.5, 0.5)) / kPxPerMm;
  }
  return out;
}

// A chessboard corner near `expected`, to a fraction of a pixel.
cv::Point2d corner_near(const cv::Mat& page, cv::Point2d expected) {
  std::vector<cv::Point2f> p = {cv::Point2f(expected * kPxPerMm - cv::Point2d(0.5, 0.5))};
  const cv::TermCriteria stop(cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 50, 1e-4);
  cv::cornerSubPix(page, p, {8, 8}, {-1, -1}, stop);
  return (cv::Point2d(p[0]) + cv::Point2d(0.5, 0.5)) / kPxPerMm;
}

// OpenCV's own board says which id lies where and where the chessboard corners are (mm).
void check_board(const cv::Mat& page, const Found& found, const BoardSize& size,
                 cv::Point2d top_left) {
  const auto board =
      cv::aruco::CharucoBoard::create(size.columns, size.rows, static_cast<float>(size.square),
                                      static_cast<float>(size.marker), dictionary());
  REQUIRE(board->ids.size() == static_cast<std::size_t>(size.columns * size.rows / 2));
  for (std::size_t i = 0; i < board->ids.size(); ++i) {
    cv::Point3f centre;
    for (const cv::Point3f p : board->objPoints[i]) centre += p;
    const cv::Point2d expected = top_left + cv::Point2d(centre.x / 4, centre.y / 4);
    const int id = size.first_id + board->ids[i];
    CAPTURE(id);
    REQUIRE(found.marker_centres.count(id) == 1);
    CHECK(cv::norm(found.marker_centres.at(id) - expected) <= 0.2);
  }
  double worst = 0;
  for (const cv::Point3f corner : board->chessboardCorners) {
    const cv::Point2d expected = top_left + cv::Point2d(corner.x, corner.y);
    worst = std::max(worst, cv::norm(corner_near(page, expected) - expected));
  }
  CHECK(board->chessboardCorners.size() ==
        static_cast<std::size_t>((size.columns - 1) * (size.rows - 1)));
  CHECK(worst <= kTolerance);
}

// Length between the bar's long end ticks on a row just above its line.
double bar_mm(const cv::Mat& page, double line_y) {
  const cv::Mat row = page.row(static_cast<int>((line_y - 1.8) * kPxPerMm));
  std::vector<double> ticks;
  double weight = 0;
  double sum = 0;
  for (int x = 0; x < row.cols; ++x) {
    const double dark = 255 - row.at<unsigned char>(0, x);
    if (dark > 0) {
      weight += dark;
      sum += dark * x;
    } else if (weight > 0) {
      ticks.push_back(sum / weight);
      weight = sum = 0;
    }
  }
  return ticks.size() == 2 ? (ticks[1] - ticks[0]) / kPxPerMm : -1;
}

struct PageRow {
  const char* name;
  CardJob job;
  double width, height;
};

const PageRow kSheets[] = {
    {"A4", {CardPage::sheet, Paper::a4, 0, 100}, 210, 297},
    {"Letter", {CardPage::sheet, Paper::letter, 0, 100}, 215.9, 279.4},
};

const PageRow kCards[] = {
    {"A4 from 0", {CardPage::cards, Paper::a4, 0, 100}, 210, 297},
    {"Letter from 24", {CardPage::cards, Paper::letter, 24, 100}, 215.9, 279.4},
    {"A4 from 29: three are left", {CardPage::cards, Paper::a4, 29, 100}, 210, 297},
};

}  // namespace

TEST_CASE("the coded sheet is OpenCV's ChArUco board at true size, centred on the page") {
  for (const PageRow& row : kSheets) {
    CAPTURE(row.name);
    const std::string pdf = card_page_pdf(row.job, bits);
    const std::string svg = card_page_svg(row.job, bits);
    for (const cv::Mat& page :
         {outside::picture_of_pdf(pdf, kPxPerMm), outside::picture_of_svg(svg, kPxPerMm)}) {
      CHECK(std::abs(page.cols / kPxPerMm - row.width) <= 1.5 / kPxPerMm);
      CHECK(std::abs(page.rows / kPxPerMm - row.height) <= 1.5 / kPxPerMm);
      const Found found = read_page(page);
      CHECK(found.marker_centres.size() == 31);
      check_board(page, found, {7, 9, 26, 19.5, 0},
                  {(row.width - 182) / 2, (row.height - 234) / 2});
      CHECK(std::abs(bar_mm(page, row.height - 14) - 100) <= kTolerance);
    }
  }
}

TEST_CASE("the coded cards are OpenCV's ChArUco boards at true size on an ID-1 body") {
  for (const PageRow& row : kCards) {
    CAPTURE(row.name);
    const cv::Mat page = outside::picture_of_pdf(card_page_pdf(row.job, bits), kPxPerMm);
    const Found found = read_page(page);
    const int cards = std::min(8, 32 - row.job.first_card);
    CHECK(found.marker_centres.size() == static_cast<std::size_t>(7 * cards));
    for (int i = 0; i < cards; ++i) {
      // ISO/IEC 7810 ID-1 is 85.60 x 53.98; two columns 10 mm apart, four rows 8 mm apart.
      const double left = (row.width - 2 * 85.6 - 10) / 2 + i % 2 * 95.6;
      const double top = (row.height - 4 * 53.98 - 24) / 2 + i / 2 * 61.98;
      check_board(page, found, {5, 3, 16, 12, 64 + 8 * (row.job.first_card + i)},
                  {left + 2.8, top + 2.99});
      // The cutting line is no darker than a pale grey, at mid height of the left side.
      const int y = static_cast<int>((top + 27) * kPxPerMm);
      const int x = static_cast<int>(left * kPxPerMm);
      double darkest = 255;
      cv::minMaxLoc(page(cv::Rect(x - 3, y, 7, 1)), &darkest);
      CHECK(darkest < 250);
      CHECK(darkest > 100);
    }
    CHECK(std::abs(bar_mm(page, row.height - 12.4) - 100) <= kTolerance);
  }
}

TEST_CASE("a printer that shrinks to 99.4 % makes a corrected page true") {
  CardJob job{CardPage::sheet, Paper::a4, 0, 99.4};
  const cv::Mat page = outside::picture_of_pdf(card_page_pdf(job, bits), kPxPerMm);
  const double grown = 100 / 99.4;
  const Found found = read_page(page);
  check_board(page, found, {7, 9, 26 * grown, 19.5 * grown, 0},
              {(210 - 182 * grown) / 2, (297 - 234 * grown) / 2});
  const double bar_y = 148.5 + (297 - 14 - 148.5) * grown;
  CHECK(std::abs(bar_mm(page, bar_y) * 0.994 - 100) <= kTolerance);
}

TEST_CASE("a page that cannot be made is refused with the reason") {
  struct Row {
    CardJob job;
    const char* reason;
  };
  const Row rows[] = {
      {{CardPage::cards, Paper::a4, -1, 100}, "outside 0 to 31"},
      {{CardPage::cards, Paper::a4, 32, 100}, "outside 0 to 31"},
      {{CardPage::sheet, Paper::a4, 0, 94}, "print it again at 100 %"},
      {{CardPage::sheet, Paper::a4, 0, std::nan("")}, "print it again at 100 %"},
  };
  for (const Row& row : rows) {
    const Result<CardJob> result = checked(row.job);
    REQUIRE(!result.ok());
    CHECK(result.error().code == Code::bad_usage);
    CHECK(result.error().detail.find(row.reason) != std::string::npos);
    CHECK_THROWS(static_cast<void>(card_page_pdf(row.job, bits)));
  }
  const auto too_few = [](int) { return std::vector<bool>(25); };
  CHECK_THROWS(static_cast<void>(card_page_svg({}, too_few)));
}

TEST_CASE("the same job gives the same bytes") {
  const CardJob job{CardPage::cards, Paper::letter, 8, 100.3};
  CHECK(card_page_pdf(job, bits) == card_page_pdf(job, bits));
  CHECK(card_page_svg(job, bits) == card_page_svg(job, bits));
}
