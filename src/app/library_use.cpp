#include "app/library_use.h"

#include <algorithm>
#include <array>
#include <cstdlib>
#include <ctime>
#include <opencv2/imgproc.hpp>

#include "app/picture_file.h"

namespace panecard::app {

std::string now() {
  std::time_t seconds = std::time(nullptr);
  if (const char* fixed = std::getenv("SOURCE_DATE_EPOCH")) seconds = std::atoll(fixed);
  std::tm utc{};
  ::gmtime_r(&seconds, &utc);
  std::array<char, 32> text{};
  std::strftime(text.data(), text.size(), "%Y-%m-%dT%H:%M:%SZ", &utc);
  return text.data();
}

std::string who(const std::string& said) {
  if (!said.empty()) return said;
  const char* user = std::getenv("USER");
  return user != nullptr ? user : "";
}

cv::Mat small_copy(const cv::Mat& bgr) {
  constexpr int kLongest_px = 640;
  const double scale =
      std::min(1.0, static_cast<double>(kLongest_px) / std::max(bgr.cols, bgr.rows));
  cv::Mat small;
  cv::resize(bgr, small, {}, scale, scale, cv::INTER_AREA);
  return small;
}

std::string small_jpeg(const cv::Mat& small) {
  constexpr int kQuality = 75;
  return to_jpeg(small, kQuality);
}

}  // namespace panecard::app
