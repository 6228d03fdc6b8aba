#include "trace/material.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>

namespace panecard::trace {
namespace {

// Rows around a pane: glass to cell 20, seal to cell 30, body beyond; from row `wrong_from` on the
// first idea of seal and body is six cells too far out.
struct Round {
  cv::Mat tones = cv::Mat(480, 60, CV_32FC3);
  std::vector<int> inner = std::vector<int>(480, 20), outer = std::vector<int>(480, 30);

  explicit Round(int wrong_rows) {
    for (int i = 0; i < tones.rows; ++i) {
      for (int c = 0; c < tones.cols; ++c) {
        const float grain = 0.05F * static_cast<float>((i * 7 + c * 13) % 5 - 2);
        const float shade = c < 20 ? 3.0F : (c < 30 ? 6.0F : 12.0F);
        tones.at<cv::Vec3f>(i, c) = {shade + grain, c < 30 ? 0.0F : 0.6F, 0.1F};
      }
      if (i < wrong_rows) {
        inner[i] += 10;
        outer[i] += 10;
      }
    }
  }
};

TEST_CASE("Seal and body are told apart though a fifth of the way was taken wrongly") {
  const Round round(96);
  const Materials materials = learn_materials(round.tones, round.inner, round.outer);
  REQUIRE(!materials.seal.empty());
  const Likeness like = likeness(round.tones, materials);
  for (int row = 0; row < round.tones.rows; row += 16) {
    CHECK(like.seal.at<float>(row, 25) > 0.8F);
    CHECK(like.body.at<float>(row, 45) > 0.8F);
    CHECK(like.seal.at<float>(row, 25) > 2 * like.body.at<float>(row, 25));
    CHECK(like.body.at<float>(row, 45) > 2 * like.seal.at<float>(row, 45));
  }
}

TEST_CASE("What a card hides is like nothing") {
  Round round(0);
  const float hidden = std::numeric_limits<float>::quiet_NaN();
  round.tones.at<cv::Vec3f>(5, 25) = {hidden, 0, 0};
  const Materials materials = learn_materials(round.tones, round.inner, round.outer);
  const Likeness like = likeness(round.tones, materials);
  CHECK(like.seal.at<float>(5, 25) == 0);
  CHECK(like.body.at<float>(5, 25) == 0);
}

TEST_CASE("Where there is no body to be seen nothing is learnt") {
  Round round(0);
  for (int& cell : round.outer) cell = round.tones.cols;
  CHECK(learn_materials(round.tones, round.inner, round.outer).body.empty());
}

}  // namespace
}  // namespace panecard::trace
