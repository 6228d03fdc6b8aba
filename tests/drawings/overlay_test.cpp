#include <doctest/doctest.h>

#include <cmath>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

#include "drawings/drawings.h"
#include "drawings/style.h"
#include "model/model.h"
#include "model/sample.h"

using namespace panecard;
using namespace panecard::drawings;

namespace {

cv::Mat drawn_on(const cv::Scalar& background, const model::Measurement& m, double scale) {
  cv::Mat picture(static_cast<int>(3024 * scale), static_cast<int>(4032 * scale), CV_8UC4,
                  background);
  draw_overlay({picture.data, picture.cols, picture.rows, static_cast<int>(picture.step), scale}, m,
               Units::mm);
  return picture;
}

double off(const cv::Vec4b& bgra, Colour c) {
  return std::max({std::abs(bgra[0] - c.b), std::abs(bgra[1] - c.g), std::abs(bgra[2] - c.r)});
}

// Relative luminance, WCAG 2.1.
double luminance(Colour c) {
  const auto linear = [](double v) {
    return v <= 0.04045 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4);
  };
  return 0.2126 * linear(c.r / 255.0) + 0.7152 * linear(c.g / 255.0) + 0.0722 * linear(c.b / 255.0);
}

double contrast(Colour a, Colour b) {
  const double low = std::min(luminance(a), luminance(b));
  const double high = std::max(luminance(a), luminance(b));
  return (high + 0.05) / (low + 0.05);
}

}  // namespace

TEST_CASE("the accent stands out from ink and paper by lightness alone") {
  // WCAG 2.1, 1.4.11: graphics need 3 : 1. Lightness survives grey print and every colour vision.
  CHECK(contrast(style::kAccent, style::kPaper) >= 3);
  CHECK(contrast(style::kAccent, style::kInk) >= 3);
  CHECK(contrast(style::kQuiet, style::kPaper) >= 4.5);               // 1.4.3: text
  CHECK(std::abs(contrast({0, 0, 0}, {255, 255, 255}) - 21) < 1e-9);  // the standard's own maximum
}

TEST_CASE("the outline lies on its pixels, on black, grey and white photos alike") {
  const double scale = 0.5;
  const model::Measurement m = sample::slider();
  for (const int grey : {0, 128, 255}) {
    CAPTURE(grey);
    const cv::Mat picture = drawn_on({1.0 * grey, 1.0 * grey, 1.0 * grey, 255}, m, scale);
    int hit = 0;
    for (const PointPx p : m.outline.points_px) {
      const cv::Point at(static_cast<int>(p.x * scale), static_cast<int>(p.y * scale));
      hit += off(picture.at<cv::Vec4b>(at), style::kAccent) < 40 ? 1 : 0;
    }
    // The card's tags may hide a point or two; none of them is where it should not be.
    CHECK(hit >= static_cast<int>(m.outline.points_px.size()) - 2);
    // White casing beside the lower edge, dark casing outside it.
    const PointPx low = m.outline.points_px[24];
    double whitest = 255;
    double darkest = 0;
    for (int dy = 0; dy < 12; ++dy) {
      const cv::Vec4b v = picture.at<cv::Vec4b>(static_cast<int>(low.y * scale) + dy,
                                                static_cast<int>(low.x * scale));
      whitest = std::min(whitest, off(v, style::kPaper));
      darkest = std::max(darkest, off(v, style::kPaper));
    }
    CHECK(whitest < 40);
    CHECK(darkest > 100);
  }
}

TEST_CASE("the caption and labels change nothing else of the photo") {
  const model::Measurement m = sample::slider();
  const cv::Mat picture = drawn_on({90, 120, 150, 255}, m, 0.25);
  std::vector<cv::Mat> channels;
  cv::split(picture, channels);
  double least = 0;
  cv::minMaxLoc(channels[3], &least);
  CHECK(least == 255);  // stays opaque
  cv::Mat changed;
  cv::absdiff(channels[2], cv::Scalar(150), changed);
  // Frame, cards and caption cover well under a fifth of the picture, and something is drawn.
  const double share = cv::countNonZero(changed) / static_cast<double>(changed.total());
  CHECK(share > 0.02);
  CHECK(share < 0.2);
}

TEST_CASE("a stretch that was not seen is dashed, dark between the dashes") {
  model::Measurement m = sample::slider();
  for (std::size_t i = 5; i < 43; ++i) m.outline.seen[i] = false;
  m.outline.seen_fraction = 0.8;
  const double scale = 0.5;
  const cv::Mat picture = drawn_on({128, 128, 128, 255}, m, scale);
  const PointPx a = m.outline.points_px[8];
  const PointPx b = m.outline.points_px[40];
  int accent = 0;
  int ink = 0;
  const int y = static_cast<int>(a.y * scale);
  const int from = static_cast<int>(a.x * scale);
  const int to = static_cast<int>(b.x * scale);
  for (int x = from; x < to; ++x) {
    accent += off(picture.at<cv::Vec4b>(y, x), style::kAccent) < 40 ? 1 : 0;
    ink += off(picture.at<cv::Vec4b>(y, x), style::kInk) < 40 ? 1 : 0;
  }
  CHECK(accent > 0.4 * (to - from));
  CHECK(ink > 0.3 * (to - from));
}

TEST_CASE("coordinates and canvases that make no sense are survived") {
  model::Measurement m = sample::hostile();
  m.outline.points_px[3] = {std::nan(""), 1e300};
  m.outline.points_px[4] = {-1e300, INFINITY};
  m.cards.push_back({"plain", 0, {{NAN, NAN}, {1e30, -1e30}, {0, 0}, {5, 5}}});
  const cv::Mat picture = drawn_on({0, 0, 0, 255}, m, 0.1);
  CHECK(cv::countNonZero(picture.reshape(1)) > 0);
  std::vector<unsigned char> bytes(64, 7);
  draw_overlay({bytes.data(), 4, 4, 13, 1}, m, Units::mm);  // a stride that Cairo refuses
  CHECK(bytes == std::vector<unsigned char>(64, 7));
  draw_overlay({}, model::Measurement{}, Units::inch);
}
