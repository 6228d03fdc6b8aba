#include <algorithm>
#include <cmath>
#include <numbers>

#include "drawings/curve.h"
#include "drawings/drawings.h"
#include "drawings/dxf_writer.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

using outline::PieceKind;

constexpr double kChordError = 0.02;
constexpr const char* kOutline = "OUTLINE";
constexpr const char* kNotSeen = "NOT_SEEN";
constexpr const char* kBox = "BOX";

void arc(DxfWriter& w, const char* on, const Segment& s, PointMm shift) {
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

// Consecutive cubics of one piece become one polyline.
std::size_t free_curve(DxfWriter& w, const std::vector<Segment>& all, std::size_t first,
                       PointMm shift) {
  std::vector<ArcVertex> points{{all[first].start - shift}};
  std::size_t i = first;
  for (; i < all.size() && all[i].kind == PieceKind::free && all[i].piece == all[first].piece &&
         all[i].seen == all[first].seen;
       ++i) {
    const PolygonMm chords = flatten(all[i], kChordError);
    for (std::size_t k = 1; k < chords.size(); ++k) points.push_back({chords[k] - shift});
  }
  w.polyline(all[first].seen ? kOutline : kNotSeen, points, false);
  return i;
}

}  // namespace

std::string to_dxf(const model::Measurement& m) {
  const std::vector<Segment> all = segments(m.outline);
  const PolygonMm box = corners(m.outline.box);
  PolygonMm everything = m.outline.points;
  everything.insert(everything.end(), box.begin(), box.end());
  const Extent e = extent_of(everything);
  std::vector<ArcVertex> frame;
  for (const PointMm p : box) frame.push_back({p - e.low});

  DxfWriter w;
  w.header({"panecard outline, mm, boundary: " + ascii(m.boundary, 20),
            "photo: " + ascii(m.photo_name, 200)},
           {0, 0}, e.high - e.low);
  w.tables({{kOutline, 30, "CONTINUOUS"}, {kNotSeen, 30, "DASHED"}, {kBox, 8, "CONTINUOUS"}});
  w.begin_entities();
  for (std::size_t i = 0; i < all.size();) {
    const Segment& s = all[i];
    const char* on = s.seen ? kOutline : kNotSeen;
    if (s.kind == PieceKind::free) {
      i = free_curve(w, all, i, e.low);
      continue;
    }
    if (s.kind == PieceKind::line) w.line(on, s.start - e.low, s.end - e.low);
    if (s.kind == PieceKind::arc) arc(w, on, s, e.low);
    ++i;
  }
  w.polyline(kBox, frame, true);
  return w.finish();
}

}  // namespace panecard::drawings
