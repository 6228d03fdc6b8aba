#include "app/easy_photo.h"

#include <map>
#include <opencv2/imgcodecs.hpp>
#include <vector>

#include "support/render.h"

namespace panecard::tests {
namespace {

std::string encoded(const cv::Mat& picture, const std::string& format) {
  std::vector<unsigned char> bytes;
  cv::imencode(format, picture, bytes);
  return {bytes.begin(), bytes.end()};
}

std::string rendered(unsigned number) {
  support::Wish wish;
  wish.width_px = 1344;
  wish.family = support::Family::slider;
  wish.cards = support::CardKind::sheet_a4;
  wish.max_tilt_deg = 10;
  support::Scene scene = support::random_scene(number, wish);
  scene.body_patches.clear();
  scene.cabin_patches.clear();
  scene.reflections.clear();
  scene.cabin = {0.4F, 0.4F, 0.4F};
  scene.seal = {0.02F, 0.02F, 0.02F};
  return encoded(support::render(scene).bgr, ".jpg");
}

}  // namespace

std::string easy_photo(unsigned scene, unsigned copy) {
  static std::map<unsigned, std::string> drawn;
  std::string& bytes = drawn[scene];
  if (bytes.empty()) bytes = rendered(scene);
  return bytes + std::string(copy, 'x');  // what follows a JPEG's end belongs to no picture
}

std::string grey_photo() {
  return encoded(cv::Mat(480, 640, CV_8UC3, cv::Scalar(120, 120, 120)), ".png");
}

}  // namespace panecard::tests
