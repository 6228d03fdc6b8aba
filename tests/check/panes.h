// Outlines of rounded quadrilaterals in closed form, with sources of error as a photo has them.
#pragma once

#include <array>
#include <functional>
#include <random>

#include "check/check.h"

namespace panecard::check::test {

/// Rounded with one radius; corners lower left, lower right, upper right, upper left.
PolygonMm rounded(const std::array<PointMm, 4>& corners, double radius_mm, double step_mm = 2);
std::array<PointMm, 4> rectangle(double width_mm, double height_mm);
/// Its top side shifted to the right.
std::array<PointMm, 4> racked(double width_mm, double height_mm, double by_mm);

/// A rounded quadrilateral without symmetry, 300 to 900 mm, different for each number.
PolygonMm invented(unsigned number);

PolygonMm turned(const PolygonMm& points, double rad, PointMm shift = {});

/// Scale, both keystones, aspect, shear, lens (radial), the definition of the edge, and
/// local noise: sizes as one coded sheet in a phone photo gives them.
Shape shape_of(const PolygonMm& points, double times = 1);
/// The definition of the edge, as docs/trace.md states it, added to what the shape has.
Shape with_definition(Shape shape, double sigma_mm);
/// As one photo would see it: every source drawn from N(0, 1).
Shape drawn(const Shape& truth, const std::function<double()>& normal);
Shape drawn(const Shape& truth, std::mt19937& random);

/// Points of every side moved outwards by a parabola of this depth at its middle.
PolygonMm bowed(const PolygonMm& points, double width_mm, double height_mm, double depth_mm);

}  // namespace panecard::check::test
