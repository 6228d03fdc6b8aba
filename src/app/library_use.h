// What every command that changes a library needs: who and when, and small copies of photos.
#pragma once

#include <opencv2/core.hpp>
#include <string>

namespace panecard::app {

/// RFC 3339, UTC. SOURCE_DATE_EPOCH (reproducible-builds.org) stands in for the clock.
std::string now();

/// Who does it: as said, else the user's name.
std::string who(const std::string& said);

/// Large enough to recognise the pane and the overlay's flaws, small enough to keep by thousands.
cv::Mat small_copy(const cv::Mat& bgr);
std::string small_jpeg(const cv::Mat& small);

}  // namespace panecard::app
