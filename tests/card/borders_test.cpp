#include "card/borders.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <opencv2/imgproc.hpp>

namespace {

using Border = std::vector<cv::Point>;

bool before(const Border& p, const Border& q) {
  return p[0].y != q[0].y ? p[0].y < q[0].y : p[0].x < q[0].x;
}

/// OpenCV's own, outer borders only, in the order of their first pixels.
std::vector<Border> by_opencv(const cv::Mat& picture, int min_round) {
  std::vector<Border> all, outer;
  std::vector<cv::Vec4i> tree;
  cv::findContours(picture, all, tree, cv::RETR_CCOMP, cv::CHAIN_APPROX_NONE);
  for (std::size_t i = 0; i < all.size(); ++i) {
    const cv::Rect box = cv::boundingRect(all[i]);
    if (tree[i][3] < 0 && 2 * (box.width + box.height) >= min_round) outer.push_back(all[i]);
  }
  std::sort(outer.begin(), outer.end(), before);
  return outer;
}

}  // namespace

TEST_CASE("outer_borders gives the outer borders of cv::findContours, point by point") {
  cv::RNG random(11);
  std::size_t compared = 0;
  for (const double share : {0.1, 0.3, 0.45, 0.6, 0.9}) {  // specks, clumps, one clump with holes
    for (const int blur : {1, 5}) {
      CAPTURE(share);
      CAPTURE(blur);
      cv::Mat noise(123, 217, CV_8U);
      random.fill(noise, cv::RNG::UNIFORM, 0, 256);
      cv::blur(noise, noise, {blur, blur});
      const double level = blur > 1 ? 128 + 30 * (0.5 - share) : 255 * (1 - share);
      const cv::Mat picture = noise > level;
      for (const int min_round : {0, 12, 36}) {
        auto ours = panecard::card::outer_borders(picture, min_round);
        std::sort(ours.begin(), ours.end(), before);
        const auto theirs = by_opencv(picture, min_round);
        CHECK(ours == theirs);
        compared += theirs.size();
      }
    }
  }
  CHECK(compared > 5000);
}

TEST_CASE("outer_borders takes shapes that touch the frame, lie within others, or are nothing") {
  cv::Mat picture(20, 30, CV_8U, cv::Scalar(255));
  CHECK(panecard::card::outer_borders(picture, 1).size() == 1);
  picture(cv::Rect(5, 5, 20, 10)) = 0;
  picture(cv::Rect(8, 8, 4, 4)) = 255;
  auto ours = panecard::card::outer_borders(picture, 1);
  std::sort(ours.begin(), ours.end(), before);
  CHECK(ours == by_opencv(picture, 1));
  CHECK(ours.size() == 2);
  CHECK(panecard::card::outer_borders(picture, 17).size() == 1);
  CHECK(panecard::card::outer_borders(cv::Mat::zeros(20, 30, CV_8U), 1).empty());
}
