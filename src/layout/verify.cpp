#include <geos_c.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <numbers>

#include "layout/layout.h"

namespace panecard::layout {
namespace {

void ignore_message(const char* /*format*/, ...) {}

struct Context {
  GEOSContextHandle_t handle = GEOS_init_r();
  Context() {
    GEOSContext_setNoticeHandler_r(handle, ignore_message);
    GEOSContext_setErrorHandler_r(handle, ignore_message);
  }
  Context(const Context&) = delete;
  Context& operator=(const Context&) = delete;
  ~Context() { GEOS_finish_r(handle); }
};

using Geometry = std::unique_ptr<GEOSGeometry, std::function<void(GEOSGeometry*)>>;

Geometry own(const Context& c, GEOSGeometry* g) {
  return {g, [h = c.handle](GEOSGeometry* p) { GEOSGeom_destroy_r(h, p); }};
}

Geometry polygon(const Context& c, const PolygonMm& points) {
  std::vector<double> xy;
  for (const PointMm p : points) xy.insert(xy.end(), {p.x, p.y});
  xy.insert(xy.end(), {points.front().x, points.front().y});
  GEOSCoordSequence* s = GEOSCoordSeq_copyFromBuffer_r(c.handle, xy.data(),
                                                       static_cast<unsigned>(xy.size() / 2), 0, 0);
  GEOSGeometry* ring = GEOSGeom_createLinearRing_r(c.handle, s);
  return own(c, ring == nullptr ? nullptr : GEOSGeom_createPolygon_r(c.handle, ring, nullptr, 0));
}

std::string mm(double value) { return to_text(value, 4) + " mm"; }

/// Mean penetration depth (mm) of two polygons: twice the overlap's area over its boundary; 0 when
/// they are disjoint.
double penetration_mm(const Context& c, const Geometry& a, const Geometry& b) {
  const Geometry both = own(c, GEOSIntersection_r(c.handle, a.get(), b.get()));
  double area = 0, length = 0;
  if (both == nullptr || GEOSArea_r(c.handle, both.get(), &area) == 0 ||
      GEOSLength_r(c.handle, both.get(), &length) == 0) {
    return std::numeric_limits<double>::infinity();
  }
  return length > 0 ? 2 * area / length : 0;  // exact for a long sliver
}

}  // namespace

PointMm turned(PointMm p, double turn_deg) {
  const double turn = turn_deg * std::numbers::pi / 180;
  double cosine = std::cos(turn), sine = std::sin(turn);
  if (std::fmod(turn_deg, 90) == 0) cosine = std::round(cosine), sine = std::round(sine);
  return {cosine * p.x - sine * p.y, sine * p.x + cosine * p.y};
}

PolygonMm placed_shape(const Item& item, const Placed& placed) {
  PolygonMm out;
  out.reserve(item.shape.size());
  for (PointMm p : item.shape) {
    if (placed.mirrored) p.x = -p.x;
    out.push_back(turned(p, placed.turn_deg) + placed.shift);
  }
  if (placed.mirrored) std::reverse(out.begin(), out.end());
  return out;
}

std::vector<std::string> violations(const std::vector<Item>& items, const Strip& strip,
                                    const Layout& layout, double slack_mm) {
  std::vector<std::string> out;
  std::vector<int> count(items.size(), 0);
  for (const Placed& p : layout.placed) {
    if (p.item >= items.size()) return {"a copy of no piece"};
    ++count[p.item];
  }
  for (std::size_t i = 0; i < items.size(); ++i) {
    if (count[i] != items[i].copies) {
      out.push_back("'" + items[i].name + "' lies " + std::to_string(count[i]) +
                    " times on the film, not " + std::to_string(items[i].copies));
    }
  }
  const Context context;
  std::vector<PolygonMm> shapes;
  std::vector<Extent> extents;
  std::vector<Geometry> polygons;
  for (const Placed& p : layout.placed) {
    shapes.push_back(placed_shape(items[p.item], p));
    extents.push_back(extent_of(shapes.back()));
    polygons.push_back(polygon(context, shapes.back()));
    const Extent& e = extents.back();
    const double beyond = std::max({strip.edge_mm - e.low.x, strip.edge_mm - e.low.y,
                                    e.high.x - (layout.length_mm - strip.edge_mm),
                                    e.high.y - (strip.width_mm - strip.edge_mm)});
    if (polygons.back() == nullptr) out.push_back("'" + items[p.item].name + "' is no polygon");
    if (!(beyond <= slack_mm)) {
      out.push_back("'" + items[p.item].name + "' is " + mm(beyond) + " beyond the film");
    }
  }
  for (std::size_t i = 0; i < shapes.size(); ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      const double reach = strip.gap_mm;
      if (extents[i].low.x > extents[j].high.x + reach ||
          extents[j].low.x > extents[i].high.x + reach ||
          extents[i].low.y > extents[j].high.y + reach ||
          extents[j].low.y > extents[i].high.y + reach || polygons[i] == nullptr ||
          polygons[j] == nullptr) {
        continue;
      }
      const std::string pair = "'" + items[layout.placed[i].item].name + "' and '" +
                               items[layout.placed[j].item].name + "'";
      double apart = 0;
      if (GEOSDistance_r(context.handle, polygons[i].get(), polygons[j].get(), &apart) == 0) {
        out.push_back(pair + " cannot be compared");
      } else if (strip.gap_mm > 0 && apart < strip.gap_mm - slack_mm) {
        out.push_back(pair + " are " + mm(apart) + " apart, not " + mm(strip.gap_mm));
      } else if (strip.gap_mm <= 0 && apart <= 0 &&
                 !(penetration_mm(context, polygons[i], polygons[j]) <= slack_mm)) {
        out.push_back(pair + " overlap by " +
                      mm(penetration_mm(context, polygons[i], polygons[j])));
      }
    }
  }
  return out;
}

}  // namespace panecard::layout
