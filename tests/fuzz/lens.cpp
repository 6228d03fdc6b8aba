#include "fuzz/fuzz.h"
#include "photo/photo.h"

void panecard::fuzz::lens(std::string_view bytes) {
  const File file(bytes);
  const auto lens = photo::read_lens(file.path());
  if (!lens.ok()) return;
  const File again(photo::lens_to_json(lens.value()));
  promise(photo::read_lens(again.path()).ok(), "what is written can be read");
  const auto turned = photo::adapt_profile(lens.value(), lens->height_px, lens->width_px, 6);
  promise(!turned || turned->covariance.allFinite(), "a turned lens is finite");
}
