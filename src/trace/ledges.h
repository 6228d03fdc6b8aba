// Places where a traced edge steps aside and back, as no pane does.
#pragma once

#include <vector>

#include "geom/geom.h"
#include "trace/edge.h"
#include "trace/ribbon.h"

namespace panecard::trace {

/// A stretch of a closed, evenly spaced curve that lies inside of what it continues: the points
/// [first, first + count), and how far inside it begins and ends.
struct Ledge {
  int first = 0, count = 0;
  double first_mm = 0, last_mm = 0;
};

/// Between a step inwards and one outwards, or a step and the corner next to it.
std::vector<Ledge> ledges_of(const PolygonMm& curve, double row_mm);

/// A curve whose ledge goes straight on.
PolygonMm levelled(PolygonMm curve, const Ledge& ledge);

/// What a person should look at of the ledges that nothing seen levels: deep and long ones. `curve`
/// has points kEdgeRow_mm apart.
std::vector<Finding> left_as_they_are(const std::vector<Ledge>& ledges, const PolygonMm& curve);

/// A dark rim of glass beside something bright behind it, or in it, passes for a wider seal: the
/// edge taken is then that of the bright thing, which ends before the pane does. Where the edge
/// goes straight on as well, and there is a seal beside it, that is taken instead.
/// @return  what a person should look at
std::vector<Finding> level_ledges(const Pyramid& photo, const Sight& sight,
                                  const std::vector<PolygonMm>& cards, Ribbon& ribbon, Edge& edge);

}  // namespace panecard::trace
