// One look along a curve: a strip of the photo, and the seal found in it.
#pragma once

#include <vector>

#include "geom/geom.h"
#include "trace/material.h"
#include "trace/pairs.h"
#include "trace/ribbon.h"
#include "trace/strip.h"

namespace panecard::trace {

/// A photo and what is known of it beforehand; nothing is owned.
struct View {
  const Pyramid& photo;
  const Sight& sight;
  const std::vector<PolygonMm>& cards;
  const PolygonMm& near;  ///< rough points on the glass edge, may be empty
};

/// Coarse and wide first, then about the seal's outer edge, then sharp about the glass edge.
enum class Pass { wide, middle, sharp };

double row_mm(Pass pass);  ///< from one of a ribbon's points to the next

struct Sighted {
  Strip strip;
  Evidence evidence;
};

Sighted look_along(const View& view, const PolygonMm& curve, Pass pass);

/// The best seal in a strip. Where nothing is known of seal and body, the path is found again with
/// what it teaches of them.
/// @param materials  what is known before, empty for nothing; what is known after
Ribbon ribbon_in(const Sighted& sighted, const PolygonMm& near, Pass pass, Belief belief,
                 Materials& materials);

/// Both.
Ribbon look(const View& view, const PolygonMm& curve, Pass pass, const Belief& belief,
            Materials& materials);

/// How near the curve a sharp look expects the glass edge that a less sharp one saw there.
constexpr double kSharp_mm = 4;

/// A seal's outer edge, or its glass edge, near the curve; a width of 0: any.
Belief about_outer(double width_mm);
Belief about_inner(double width_mm, double within_mm);

}  // namespace panecard::trace
