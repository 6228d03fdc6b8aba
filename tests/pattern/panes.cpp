#include "pattern/panes.h"

#include <doctest/doctest.h>
#include <geos_c.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>
#include <numbers>

namespace panecard::pattern::test {
namespace {

constexpr double kPi = std::numbers::pi;

void add_arc(PolygonMm& out, PointMm centre, double radius, double from, double sweep,
             double chord) {
  const double step = 2 * std::acos(1 - chord / radius);
  const int steps = std::max(1, static_cast<int>(std::ceil(sweep / step)));
  for (int k = 0; k <= steps; ++k) {
    const double t = from + sweep * k / steps;
    out.push_back(centre + PointMm{radius * std::cos(t), radius * std::sin(t)});
  }
}

}  // namespace

PolygonMm rectangle(double w, double h) { return {{0, 0}, {w, 0}, {w, h}, {0, h}}; }

PolygonMm rounded(double w, double h, double r, double chord) {
  PolygonMm out;
  add_arc(out, {r, r}, r, kPi, kPi / 2, chord);
  add_arc(out, {w - r, r}, r, 1.5 * kPi, kPi / 2, chord);
  add_arc(out, {w - r, h - r}, r, 0, kPi / 2, chord);
  add_arc(out, {r, h - r}, r, kPi / 2, kPi / 2, chord);
  return out;
}

PolygonMm circle(double r, double chord) {
  PolygonMm out;
  add_arc(out, {0, 0}, r, 0, 2 * kPi, chord);
  out.pop_back();
  return out;
}

PolygonMm ellipse(double a, double b, std::size_t points) {
  PolygonMm out;
  for (std::size_t i = 0; i < points; ++i) {
    const double t = 2 * kPi * static_cast<double>(i) / static_cast<double>(points);
    out.push_back({a * std::cos(t), b * std::sin(t)});
  }
  return out;
}

PolygonMm wavy(std::mt19937& random, std::size_t points) {
  std::uniform_real_distribution<double> phase(0, 2 * kPi), size(-1, 1);
  std::array<double, 7> a{}, p{};
  for (std::size_t k = 0; k < a.size(); ++k) {
    a[k] = 0.3 * size(random) / static_cast<double>(k + 2);
    p[k] = phase(random);
  }
  PolygonMm out;
  for (std::size_t i = 0; i < points; ++i) {
    const double t = 2 * kPi * static_cast<double>(i) / static_cast<double>(points);
    double r = 300;
    for (std::size_t k = 0; k < a.size(); ++k) {
      r += 300 * a[k] * std::cos(static_cast<double>(k + 2) * t + p[k]);
    }
    out.push_back({r * std::cos(t), r * std::sin(t)});
  }
  return out;
}

PolygonMm jagged(std::mt19937& random, std::size_t points) {
  std::uniform_real_distribution<double> radius(200, 400), off(-0.3, 0.3);
  PolygonMm out;
  for (std::size_t i = 0; i < points; ++i) {
    const double t = 2 * kPi * (static_cast<double>(i) + off(random)) / static_cast<double>(points);
    const double r = radius(random);
    out.push_back({r * std::cos(t), r * std::sin(t)});
  }
  return out;
}

PolygonMm turned(const PolygonMm& points, double rad) {
  PolygonMm out;
  for (const PointMm p : points) {
    out.push_back(
        {std::cos(rad) * p.x - std::sin(rad) * p.y, std::sin(rad) * p.x + std::cos(rad) * p.y});
  }
  return out;
}

Pane pane_of(const PolygonMm& points, double u95_mm) {
  auto pane = divide(points, std::vector<double>(points.size(), u95_mm));
  if (!pane.ok()) FAIL(pane.error().detail);
  return pane.value();
}

Piece cut_of(const Pane& pane, const Request& request) {
  auto piece = make_piece(pane, request);
  if (!piece.ok()) FAIL(piece.error().detail);
  return std::move(piece).value();
}

Request all_round(double mm) {
  Request request;
  request.rest.mm = mm;
  return request;
}

namespace {

double to_edge(PointMm p, PointMm a, PointMm b) {
  const PointMm along = b - a;
  const double t = std::clamp(dot(p - a, along) / std::max(dot(along, along), 1e-300), 0.0, 1.0);
  return distance(p, a + t * along);
}

}  // namespace

double distance_to_open(const PolygonMm& line, PointMm p) {
  double least = 1e300;
  for (std::size_t i = 0; i + 1 < line.size(); ++i) {
    least = std::min(least, to_edge(p, line[i], line[i + 1]));
  }
  return least;
}

namespace geos {
namespace {

struct Library {
  GEOSContextHandle_t handle = GEOS_init_r();
  Library() = default;
  Library(const Library&) = delete;
  Library& operator=(const Library&) = delete;
  ~Library() { GEOS_finish_r(handle); }
};

struct Destroy {
  GEOSContextHandle_t handle;
  void operator()(GEOSGeometry* g) const { GEOSGeom_destroy_r(handle, g); }
};
struct Unprepare {
  GEOSContextHandle_t handle;
  void operator()(const GEOSPreparedGeometry* g) const { GEOSPreparedGeom_destroy_r(handle, g); }
};
using Geometry = std::unique_ptr<GEOSGeometry, Destroy>;

GEOSCoordSequence* coordinates(const Library& lib, const PolygonMm& points) {
  const auto n = static_cast<unsigned>(points.size());
  GEOSCoordSequence* s = GEOSCoordSeq_create_r(lib.handle, n + 1, 2);
  for (unsigned i = 0; i <= n; ++i) {
    GEOSCoordSeq_setXY_r(lib.handle, s, i, points[i % n].x, points[i % n].y);
  }
  return s;
}

Geometry polygon(const Library& lib, const PolygonMm& points) {
  GEOSGeometry* ring = GEOSGeom_createLinearRing_r(lib.handle, coordinates(lib, points));
  return {GEOSGeom_createPolygon_r(lib.handle, ring, nullptr, 0), Destroy{lib.handle}};
}

Geometry ring(const Library& lib, const PolygonMm& points) {
  return {GEOSGeom_createLinearRing_r(lib.handle, coordinates(lib, points)), Destroy{lib.handle}};
}

}  // namespace

std::vector<double> distances(const PolygonMm& from, const PolygonMm& to) {
  const Library lib;
  const Geometry line = ring(lib, to);
  const std::unique_ptr<const GEOSPreparedGeometry, Unprepare> prepared{
      GEOSPrepare_r(lib.handle, line.get()), Unprepare{lib.handle}};
  std::vector<double> out;
  for (const PointMm p : from) {
    const Geometry at{GEOSGeom_createPointFromXY_r(lib.handle, p.x, p.y), Destroy{lib.handle}};
    double d = 1e300;
    GEOSPreparedDistance_r(lib.handle, prepared.get(), at.get(), &d);
    out.push_back(d);
  }
  return out;
}

PolygonMm buffer(const PolygonMm& points, double distance_mm, int segments) {
  const Library lib;
  const Geometry from = polygon(lib, points);
  const Geometry to{GEOSBuffer_r(lib.handle, from.get(), distance_mm, segments),
                    Destroy{lib.handle}};
  PolygonMm out;
  if (!to || GEOSGeomTypeId_r(lib.handle, to.get()) != GEOS_POLYGON) return out;
  const GEOSGeometry* outer = GEOSGetExteriorRing_r(lib.handle, to.get());
  const GEOSCoordSequence* s = outer ? GEOSGeom_getCoordSeq_r(lib.handle, outer) : nullptr;
  unsigned n = 0;
  if (s == nullptr || GEOSCoordSeq_getSize_r(lib.handle, s, &n) == 0 || n < 4) return out;
  for (unsigned i = 0; i + 1 < n; ++i) {
    PointMm p;
    GEOSCoordSeq_getXY_r(lib.handle, s, i, &p.x, &p.y);
    out.push_back(p);
  }
  if (signed_area_mm2(out) < 0) std::reverse(out.begin(), out.end());
  return out;
}

bool valid(const PolygonMm& points) {
  const Library lib;
  return GEOSisValid_r(lib.handle, polygon(lib, points).get()) == 1;
}

}  // namespace geos

double one_sided_hausdorff(const PolygonMm& from, const PolygonMm& to) {
  PolygonMm points = from;
  for (std::size_t i = 0; i < from.size(); ++i) {
    points.push_back(0.5 * (from[i] + from[(i + 1) % from.size()]));
  }
  const std::vector<double> d = geos::distances(points, to);
  return *std::max_element(d.begin(), d.end());
}

}  // namespace panecard::pattern::test
