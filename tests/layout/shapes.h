// Shapes at random, and what GEOS says of them.
#pragma once

#include <geos_c.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <memory>
#include <numbers>
#include <vector>

#include "layout/no_fit.h"
#include "layout/problem.h"

namespace panecard::layout {

/// Tests that repeat themselves do so less where every access is watched.
#ifdef __SANITIZE_ADDRESS__
constexpr int kRepeats = 1;
#else
constexpr int kRepeats = 10;
#endif

/// Seen whole from its centre; hollow wherever two radii say so.
inline PolygonMm random_star(SplitMix64& random, int corners, double size, double least) {
  PolygonMm out;
  for (int k = 0; k < corners; ++k) {
    const double turn = 2 * std::numbers::pi * (k + random.between(0, 0.8)) / corners,
                 r = size * random.between(least, 1);
    out.push_back({r * std::cos(turn), r * std::sin(turn)});
  }
  return out;
}

inline PolygonMm shifted(PolygonMm points, PointMm by) {
  for (PointMm& p : points) p = p + by;
  return points;
}

inline Form form_from(PolygonMm points) {
  const Extent extent = extent_of(points);
  Form f;
  f.points = shifted(std::move(points), PointMm{} - extent.low);
  f.width = extent.size().x, f.height = extent.size().y;
  f.area = signed_area_mm2(f.points);
  f.convex = signed_area_mm2(convex_hull(f.points)) - f.area < 1e-9 * f.area;
  if (f.convex) f.points = convex_hull(f.points);
  return f;
}

class Geos {
 public:
  Geos() : handle_(GEOS_init_r()) {}
  Geos(const Geos&) = delete;
  Geos& operator=(const Geos&) = delete;
  ~Geos() { GEOS_finish_r(handle_); }

  using Geometry = std::unique_ptr<GEOSGeometry, std::function<void(GEOSGeometry*)>>;

  Geometry polygon(const PolygonMm& points) const {
    std::vector<double> xy;
    for (const PointMm p : points) xy.insert(xy.end(), {p.x, p.y});
    xy.insert(xy.end(), {points.front().x, points.front().y});
    GEOSCoordSequence* s =
        GEOSCoordSeq_copyFromBuffer_r(handle_, xy.data(), unsigned(xy.size() / 2), 0, 0);
    return own(
        GEOSGeom_createPolygon_r(handle_, GEOSGeom_createLinearRing_r(handle_, s), nullptr, 0));
  }
  double area(const GEOSGeometry* g) const {
    double out = std::nan("");
    return GEOSArea_r(handle_, g, &out) == 1 ? out : std::nan("");
  }
  double common(const GEOSGeometry* a, const GEOSGeometry* b) const {
    return area(own(GEOSIntersection_r(handle_, a, b)).get());
  }
  double beyond(const GEOSGeometry* a, const GEOSGeometry* b) const {
    return area(own(GEOSDifference_r(handle_, a, b)).get());
  }
  Geometry grown(const GEOSGeometry* g, double by) const {
    return own(GEOSBuffer_r(handle_, g, by, 64));
  }
  bool apart(const PolygonMm& a, const PolygonMm& b) const {
    return common(polygon(a).get(), polygon(b).get()) <= 1e-9;
  }

 private:
  Geometry own(GEOSGeometry* g) const {
    return {g, [h = handle_](GEOSGeometry* p) { GEOSGeom_destroy_r(h, p); }};
  }
  GEOSContextHandle_t handle_;
};

}  // namespace panecard::layout
