// From a photo to a measurement: what every command that takes a photo shares, so that all of them
// measure alike.
#pragma once

#include <string>
#include <vector>

#include "formats/formats.h"
#include "photo/photo.h"

namespace CLI {
class App;
}

namespace panecard::app {

/// As given on the command line; the command itself names the photo.
struct PhotoOptions {
  std::string path, boundary = "glass", lens, plain;
  std::vector<std::string> near;
};

/// Adds all of them but the photo itself.
void add_photo_options(CLI::App& command, PhotoOptions& options);

/// The pixels of --near. @retval bad_usage
Result<std::vector<PointPx>> near_points(const PhotoOptions& options);

/// Cards, plane, contour, outline. An error about the photo names it.
Result<formats::Measurement> measure(const photo::Photo& photo, const PhotoOptions& options,
                                     const std::vector<PointPx>& near);

}  // namespace panecard::app
