// Which lens a photo was taken with.
#pragma once

#include <string>
#include <vector>

#include "measure/measure.h"

namespace panecard::measure {

struct ChosenLens {
  photo::Lens lens;
  std::vector<Finding> findings;
};

/// The one given, else the profile of this phone, else what EXIF and priors say.
/// @retval bad_usage  the one given is not for photos of this shape
Result<ChosenLens> choose_lens(const Options& options, const photo::Photo& photo);

/// As a result file says it.
std::string say_lens(const photo::Lens& lens, const photo::Exif& exif);

std::string say_size(int width_px, int height_px);

}  // namespace panecard::measure
