#include <algorithm>
#include <cmath>
#include <numbers>

#include "formats/curve.h"
#include "formats/formats.h"
#include "formats/text.h"

namespace panecard::formats {
namespace {

using outline::PieceKind;

constexpr double kChordError = 0.02;
constexpr const char* kOutline = "OUTLINE";
constexpr const char* kNotSeen = "NOT_SEEN";
constexpr const char* kBox = "BOX";

// Group code, value: the whole grammar of DXF (AutoCAD R12 customization manual, ch. 11; from
// memory, checked by reading the result back with GDAL).
class Writer {
 public:
  void put(int code, const std::string& value) {
    text_ += std::to_string(code) + "\n" + value + "\n";
  }
  void put(int code, int value) { put(code, std::to_string(value)); }
  void real(int code, double value) { put(code, fixed(value, 6)); }
  void point(int code, PointMm p) {
    real(code, p.x);
    real(code + 10, p.y);
    real(code + 20, 0);
  }
  void entity(const char* type, const char* layer) {
    put(0, type);
    put(8, layer);
  }
  std::string take() { return std::move(text_); }

 private:
  std::string text_;
};

struct Extent {
  PointMm low, high;
};

Extent extent_of(const PolygonMm& points) {
  Extent e{points.front(), points.front()};
  for (const PointMm p : points) {
    e.low = {std::min(e.low.x, p.x), std::min(e.low.y, p.y)};
    e.high = {std::max(e.high.x, p.x), std::max(e.high.y, p.y)};
  }
  return e;
}

void header(Writer& w, const Measurement& m, const Extent& e) {
  w.put(999, "panecard outline, mm, boundary: " + ascii(m.boundary, 20));
  w.put(999, "photo: " + ascii(m.photo_name, 200));
  w.put(0, "SECTION");
  w.put(2, "HEADER");
  w.put(9, "$ACADVER");
  w.put(1, "AC1009");
  w.put(9, "$INSUNITS");
  w.put(70, 4);
  w.put(9, "$MEASUREMENT");
  w.put(70, 1);
  w.put(9, "$EXTMIN");
  w.point(10, {0, 0});
  w.put(9, "$EXTMAX");
  w.point(10, e.high - e.low);
  w.put(0, "ENDSEC");
}

void line_type(Writer& w, const char* name, const char* looks, const std::vector<double>& dashes) {
  w.put(0, "LTYPE");
  w.put(2, name);
  w.put(70, 0);
  w.put(3, looks);
  w.put(72, 65);
  w.put(73, static_cast<int>(dashes.size()));
  double length = 0;
  for (const double d : dashes) length += std::abs(d);
  w.real(40, length);
  for (const double d : dashes) w.real(49, d);
}

void layer(Writer& w, const char* name, int colour, const char* type) {
  w.put(0, "LAYER");
  w.put(2, name);
  w.put(70, 0);
  w.put(62, colour);
  w.put(6, type);
}

void tables(Writer& w) {
  w.put(0, "SECTION");
  w.put(2, "TABLES");
  w.put(0, "TABLE");
  w.put(2, "LTYPE");
  w.put(70, 2);
  line_type(w, "CONTINUOUS", "Solid line", {});
  line_type(w, "DASHED", "_ _ _ _", {6, -4});
  w.put(0, "ENDTAB");
  w.put(0, "TABLE");
  w.put(2, "LAYER");
  w.put(70, 4);
  layer(w, "0", 7, "CONTINUOUS");
  layer(w, kOutline, 30, "CONTINUOUS");
  layer(w, kNotSeen, 30, "DASHED");
  layer(w, kBox, 8, "CONTINUOUS");
  w.put(0, "ENDTAB");
  w.put(0, "ENDSEC");
}

void line(Writer& w, const char* on, PointMm a, PointMm b) {
  w.entity("LINE", on);
  w.point(10, a);
  w.point(11, b);
}

void arc(Writer& w, const char* on, const Segment& s, PointMm shift) {
  constexpr double kDegrees = 180 / std::numbers::pi;
  // A DXF arc always runs counter-clockwise.
  const double begin = s.sweep_rad > 0 ? s.start_rad : s.start_rad + s.sweep_rad;
  const double end = s.sweep_rad > 0 ? s.start_rad + s.sweep_rad : s.start_rad;
  const auto turn = [](double deg) { return deg - 360 * std::floor(deg / 360); };
  w.entity("ARC", on);
  w.point(10, s.centre - shift);
  w.real(40, s.radius_mm);
  w.real(50, turn(begin * kDegrees));
  w.real(51, turn(end * kDegrees));
}

void polyline(Writer& w, const char* on, const PolygonMm& points, bool closed) {
  w.entity("POLYLINE", on);
  w.put(66, 1);
  w.point(10, {0, 0});
  w.put(70, closed ? 1 : 0);
  for (const PointMm p : points) {
    w.entity("VERTEX", on);
    w.point(10, p);
  }
  w.entity("SEQEND", on);
}

// Consecutive cubics of one piece become one polyline.
std::size_t free_curve(Writer& w, const std::vector<Segment>& all, std::size_t first,
                       PointMm shift) {
  PolygonMm points{all[first].start - shift};
  std::size_t i = first;
  for (; i < all.size() && all[i].kind == PieceKind::free && all[i].piece == all[first].piece &&
         all[i].seen == all[first].seen;
       ++i) {
    const PolygonMm chords = flatten(all[i], kChordError);
    for (std::size_t k = 1; k < chords.size(); ++k) points.push_back(chords[k] - shift);
  }
  polyline(w, all[first].seen ? kOutline : kNotSeen, points, false);
  return i;
}

}  // namespace

std::string to_dxf(const Measurement& m) {
  const std::vector<Segment> all = segments(m.outline);
  PolygonMm box = corners(m.outline.box);
  PolygonMm everything = m.outline.points;
  everything.insert(everything.end(), box.begin(), box.end());
  const Extent e = extent_of(everything);
  for (PointMm& p : box) p = p - e.low;

  Writer w;
  header(w, m, e);
  tables(w);
  w.put(0, "SECTION");
  w.put(2, "ENTITIES");
  for (std::size_t i = 0; i < all.size();) {
    const Segment& s = all[i];
    const char* on = s.seen ? kOutline : kNotSeen;
    if (s.kind == PieceKind::free) {
      i = free_curve(w, all, i, e.low);
      continue;
    }
    if (s.kind == PieceKind::line) line(w, on, s.start - e.low, s.end - e.low);
    if (s.kind == PieceKind::arc) arc(w, on, s, e.low);
    ++i;
  }
  polyline(w, kBox, box, true);
  w.put(0, "ENDSEC");
  w.put(0, "EOF");
  return w.take();
}

}  // namespace panecard::formats
