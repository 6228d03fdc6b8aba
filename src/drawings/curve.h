// The outline as the lines, arcs and cubics that drawing formats know.
#pragma once

#include <vector>

#include "drawings/sheet.h"
#include "outline/outline.h"

namespace panecard::drawings {

/// One line, arc (under 180 deg) or cubic, wholly seen or wholly bridged.
struct Segment {
  outline::PieceKind kind = outline::PieceKind::line;
  PointMm start, end;
  PointMm a, b;           ///< cubic
  PointMm centre;         ///< arc
  double radius_mm = 0;   ///< arc, positive
  double start_rad = 0;   ///< arc: direction from the centre to the start
  double sweep_rad = 0;   ///< arc, positive counter-clockwise
  std::size_t piece = 0;  ///< index into Outline::pieces
  bool seen = true;
};

/// The whole outline in order, closed. Pieces are split where the seen flags of the points change,
/// so that a dashed stretch ends where the observation does. Without pieces: the points as lines.
std::vector<Segment> segments(const outline::Outline& outline);

PointMm point_at(const Segment& segment, double t);  ///< t from 0 to 1

/// Chords of a segment, both ends included.
PolygonMm flatten(const Segment& segment, double chord_error_mm);

/// A bridged stretch: segments [first, last] of the closed list, wrapping.
struct SegmentRange {
  std::size_t first = 0, last = 0;
};
std::vector<SegmentRange> bridged(const std::vector<Segment>& segments);

PolygonMm corners(const OrientedBox& box);  ///< counter-clockwise, the long side first

/// Pane (y up) onto page (y down): turned, scaled, shifted.
struct Placement {
  double turn_rad = 0;  ///< counter-clockwise
  double scale = 1;     ///< page mm per pane mm
  PagePoint origin;     ///< where the pane's origin comes to lie
  PagePoint operator()(PointMm p) const;
  void append(Path& path, const Segment& segment) const;  ///< the path stands at segment.start
};

}  // namespace panecard::drawings
