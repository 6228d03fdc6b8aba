#include "photo/exif.h"

#include "fuzz/fuzz.h"

void panecard::fuzz::exif(std::string_view bytes) {
  const photo::Exif exif = photo::read_exif(bytes);
  promise(exif.orientation >= 1 && exif.orientation <= 8, "an orientation is 1 to 8");
  const photo::Lens lens = photo::lens_from_exif(exif, 4032, 3024);
  promise(lens.value.allFinite() && lens.covariance.allFinite(), "a lens is finite");
}
