// What a person is told of an outline: why it can't be measured, and what to look at.
#pragma once

#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "base/base.h"
#include "geom/geom.h"
#include "trace/edge.h"
#include "trace/ribbon.h"
#include "trace/strip.h"

namespace panecard::trace {

/// What was found in one photo; nothing is owned.
struct Found {
  const Sight& sight;
  cv::Size photo;
  const std::vector<PolygonMm>& cards;
  const Ribbon& ribbon;
  const Edge& edge;
  const PolygonMm& near;  ///< where the user pointed, may be empty
};

/// Why the outline cannot be believed: the photo ends, a card hides the edge, or neither the edge
/// nor the seal is seen. What of this is short enough to be looked at is a finding.
std::optional<Error> why_not(const Found& found, std::vector<Finding>& findings);

/// A notch, a bump, a sharp corner or a faint seal: no number shows these.
void report_doubts(const Ribbon& ribbon, const Edge& edge, std::vector<Finding>& findings);

/// Where the last of the seal is lost in the dark over a good part of a side.
void report_narrowness(const Edge& edge, std::vector<Finding>& findings);

/// Where another edge may be the right one 95 % must reach as far as that one, all along together,
/// and a person is asked to look: two values 9 mm apart are not one with a wider margin.
void carry_rivals(const Ribbon& ribbon, Edge& edge, std::vector<Finding>& findings);

}  // namespace panecard::trace
