// A measurement as every later room knows it: the outline, and what is known about the photo, the
// cards and the pane behind it.
#pragma once

#include <string>
#include <vector>

#include "base/base.h"
#include "geom/geom.h"
#include "outline/outline.h"

namespace panecard::model {

struct CardMark {
  std::string kind;  ///< "sheet", "card", "plain"
  int id = 0;
  std::vector<PointPx> corners_px;  ///< four
};

/// One figure of the photo's quality.
struct QualityFigure {
  std::string name;  ///< "blur"
  double value = 0;
  std::string unit;
  double long_u95_mm = 0;  ///< what the box's long side would have were this as good as it gets
  std::string remedy;      ///< what to do, imperative
};

/// What the pane's face is, flat or bent; the outline is that of the developed face.
struct Face {
  double bent_probability = 0;
  double curvature_per_mm = 0, curvature_u95_per_mm = 0;  ///< the stronger, about axis_deg
  double weaker_per_mm = 0, weaker_u95_per_mm = 0;        ///< across the first
  double axis_deg = 0;                                    ///< from level in the photo
};

/// All that the result file states. `photo`, `lens` and so on are extra fields.
struct Measurement {
  std::string boundary;  ///< "glass", "solid", "dots"
  outline::Outline outline;
  Contour covariance;  ///< outline.points with their sources of error; empty: not known
  std::vector<CardMark> cards;
  std::vector<Finding> warnings;
  std::vector<QualityFigure> quality;
  Face face;
  std::string photo_name;  ///< of several photos all, with commas
  int photo_width_px = 0, photo_height_px = 0;
  std::string photo_sha256;  ///< of the first photo's file, in hex; empty: not known
  std::string lens_text;     ///< "phone-a profile, 12 photos" or "unknown lens"
  std::string verdict;       ///< how good it is, why not better, and what would help
};

}  // namespace panecard::model
