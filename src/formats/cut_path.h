// The geometry of cut paths: lines and arcs from corner to corner.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "formats/formats.h"
#include "formats/sheet.h"

namespace panecard::formats {

/// What is wrong with a sheet, if anything: counts, sizes, shapes. All below presume nothing is.
std::optional<Error> wrong_with(const CutSheet& sheet);

std::string name_of(const CutSheet& sheet, std::size_t path);  ///< "path 3 (rear left)"

/// The way from one vertex to the next; the radius is 0 where it is straight within 0.1 um.
struct Leg {
  PointMm start, end;
  PointMm centre;
  double radius_mm = 0;
  double start_rad = 0;        ///< direction from the centre to the start
  double sweep_rad = 0;        ///< positive counter-clockwise
  PointMm at(double t) const;  ///< t from 0 to 1
};
/// Without legs of no length; a closed path ends where it starts.
std::vector<Leg> legs(const CutPath& path);

/// The same path with no arc over `most_sweep_rad`.
std::vector<CutVertex> split_arcs(const CutPath& path, double most_sweep_rad);

/// Chords within chord_mm of the path. A closed path does not repeat its start.
PolygonMm flatten(const CutPath& path, double chord_mm);
std::size_t count_chords(const CutPath& path, double chord_mm);

Extent extent_of(const CutPath& path);        ///< exact, arcs included
double signed_area_mm2(const CutPath& path);  ///< exact, arcs included; of an open path 0

/// Which path lies around each one, the innermost; -1: none.
std::vector<int> nesting(const CutSheet& sheet);

/// Where a path's label stands and how tall it may be.
struct LabelPlace {
  PointMm middle;
  double height_mm = 0;
};
LabelPlace label_place(const CutSheet& sheet, const std::vector<int>& around, std::size_t path);

/// The film on a page, y down.
struct SheetPlace {
  PagePoint origin;  ///< where the sheet's origin comes to lie
  double scale = 1;
  PagePoint operator()(PointMm p) const { return {origin.x + scale * p.x, origin.y - scale * p.y}; }
};
Path on_page(const CutPath& path, const SheetPlace& place);

}  // namespace panecard::formats
