#include "measure/lens_choice.h"

#include <utility>

namespace panecard::measure {

std::string say_size(int width_px, int height_px) {
  return to_text(width_px, 0) + " x " + to_text(height_px, 0) + " px";
}

std::string say_lens(const photo::Lens& lens, const photo::Exif& exif) {
  if (lens.calibrated) {
    return (lens.model.empty() ? "profile" : lens.model + " profile") + ", " +
           to_text(lens.photos, 0) + " photos";
  }
  if (exif.focal_35mm) {
    return "not calibrated, " + to_text(*exif.focal_35mm, 0) + " mm equivalent by the photo's EXIF";
  }
  return "unknown, no focal length in the photo's EXIF";
}

Result<ChosenLens> choose_lens(const Options& options, const photo::Photo& photo) {
  const photo::Exif& exif = photo.exif;
  const int width = photo.bgr.cols, height = photo.bgr.rows;
  if (!options.lens) {
    if (auto lens = photo::find_lens(exif, width, height, options.lens_folders)) {
      return ChosenLens{*std::move(lens), {}};
    }
    return ChosenLens{photo::lens_from_exif(exif, width, height), {}};
  }
  const photo::Lens& profile = *options.lens;
  const auto lens = photo::adapt_profile(profile, width, height, exif.orientation);
  if (!lens) {
    return Error{Code::bad_usage, "the lens profile given is for photos of " +
                                      say_size(profile.width_px, profile.height_px) +
                                      ", this one has " + say_size(width, height) +
                                      "; calibrate with photos of this shape"};
  }
  ChosenLens chosen{*lens, {}};
  if (!exif.model.empty() && exif.model != lens->model) {
    chosen.findings.push_back(
        {"lens_of_another_phone", "the lens profile is of '" + lens->model +
                                      "' but the photo is by '" + exif.model +
                                      "': leave --lens out or give this phone's profile"});
  }
  return chosen;
}

}  // namespace panecard::measure
