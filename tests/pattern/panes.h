// Outlines in closed form, and the GEOS library as an outside judge of parallel curves.
#pragma once

#include <random>

#include "pattern/pattern.h"

namespace panecard::pattern::test {

PolygonMm rectangle(double width_mm, double height_mm);  ///< lower left corner at the origin
PolygonMm rounded(double width_mm, double height_mm, double radius_mm, double chord_mm = 0.01);
PolygonMm circle(double radius_mm, double chord_mm = 0.001);
PolygonMm ellipse(double a_mm, double b_mm, std::size_t points);
/// r = 300 (1 + sum of a_k cos(k t + phase)): smooth, mostly with hollows.
PolygonMm wavy(std::mt19937& random, std::size_t points);
/// Star-shaped with sharp convex and concave corners.
PolygonMm jagged(std::mt19937& random, std::size_t points);
PolygonMm turned(const PolygonMm& points, double rad);

Pane pane_of(const PolygonMm& points, double u95_mm = 0.2);
Piece cut_of(const Pane& pane, const Request& request);  ///< must succeed
Request all_round(double mm);

double distance_to_open(const PolygonMm& line, PointMm p);
/// Largest distance from any point of one line, edges' middles too, to the other.
double one_sided_hausdorff(const PolygonMm& from, const PolygonMm& to);

namespace geos {
/// Round joins, 4 * `segments` to the circle; empty unless the result is one polygon.
PolygonMm buffer(const PolygonMm& points, double distance_mm, int segments = 256);
std::vector<double> distances(const PolygonMm& from, const PolygonMm& to);  ///< to the closed line
bool valid(const PolygonMm& points);
}  // namespace geos

}  // namespace panecard::pattern::test
