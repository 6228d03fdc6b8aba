// From photos to a measurement: what every command that takes a photo shares, so that all of them
// measure alike.
#pragma once

#include <string>
#include <vector>

#include "card/card.h"
#include "model/model.h"
#include "photo/photo.h"
#include "trace/trace.h"

namespace CLI {
class App;
}

namespace panecard::app {

/// As given on the command line; the command itself names the photos.
struct PhotoOptions {
  std::vector<std::string> paths;  ///< several: of one pane, whose cards stayed where they were
  std::string boundary = "glass", lens, plain;
  std::vector<std::string> near;
  std::string bow, radius, bow_axis = "level";
  std::string glass_thickness, card_thickness, seen_from = "outside";
  double printed_bar_mm = 100;
};

/// Adds all of them but the photos themselves.
void add_photo_options(CLI::App& command, PhotoOptions& options);

/// The pixels of --near. @retval bad_usage
Result<std::vector<PointPx>> near_points(const PhotoOptions& options);

/// All photos named. @retval unreadable_file, too_large, bad_usage (more than we take)
Result<std::vector<photo::Photo>> load_photos(const PhotoOptions& options);

/// How good an outline is, why not better, and what would help most.
std::string verdict_on(const outline::Outline& outline, Units units);

/// What is known of photos before a boundary is traced in them.
struct Prepared {
  std::vector<card::View> views;
  std::vector<card::Plane> planes;
  std::vector<Finding> findings;
};
Result<Prepared> prepare(const std::vector<photo::Photo>& photos, const PhotoOptions& options);
std::vector<trace::Shot> shots_of(const std::vector<photo::Photo>& photos,
                                  const Prepared& prepared);
Result<trace::Traced> trace_boundary(const std::vector<photo::Photo>& photos,
                                     const PhotoOptions& options, const Prepared& prepared,
                                     const std::vector<PointPx>& near);
/// All that a person is shown.
Result<model::Measurement> sized(const std::vector<photo::Photo>& photos,
                                 const PhotoOptions& options, const Prepared& prepared,
                                 const trace::Traced& traced);
/// What a result file holds besides.
void complete(const PhotoOptions& options, const trace::Traced& traced, model::Measurement& m);

/// Cards, planes, contour, outline: all of it. An error about a photo names it.
Result<model::Measurement> measure(const std::vector<photo::Photo>& photos,
                                   const PhotoOptions& options, const std::vector<PointPx>& near);

}  // namespace panecard::app
