// Reads the few EXIF tags we need from a TIFF structure (EXIF 2.32 / TIFF 6.0), whole file or
// block. Our own reader, because the block is hostile input: it never looks at maker notes, visits
// two directories at most and touches nothing outside `block`.
#pragma once

#include <string_view>

#include "photo/photo.h"

namespace panecard::photo {

/// Tags of the block; default values for missing and invalid ones.
/// @param block  starts with "II*\0" or "MM\0*"; "Exif\0\0" before that is skipped.
Exif read_exif(std::string_view block);

}  // namespace panecard::photo
