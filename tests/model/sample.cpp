#include "model/sample.h"

#include <cmath>
#include <numbers>

#include "film/film.h"
#include "model/model.h"

namespace panecard::sample {
namespace {

using outline::Outline;
using outline::Piece;
using outline::PieceKind;

PointMm turned(PointMm p, double a) {
  return {std::cos(a) * p.x - std::sin(a) * p.y, std::sin(a) * p.x + std::cos(a) * p.y};
}
PointMm unit(PointMm p) { return (1 / norm(p)) * p; }
PointMm left_of(PointMm p) { return {-p.y, p.x}; }

struct Edge {
  PointMm from, to;  // corner to corner, before rounding
  double sagitta = 0;
  double belly = 0;  // a cubic that leaves the chord by about this much
};

Piece line(PointMm a, PointMm b) {
  Piece p;
  p.start = a;
  p.end = b;
  p.length_mm.value = distance(a, b);
  return p;
}

Piece arc(PointMm a, PointMm centre, double sweep) {
  Piece p;
  p.kind = PieceKind::arc;
  p.start = a;
  p.centre = centre;
  p.sweep_rad = sweep;
  p.end = centre + turned(a - centre, sweep);
  p.radius_mm = std::copysign(distance(a, centre), sweep);
  p.radius.value = std::abs(p.radius_mm);
  p.length_mm.value = std::abs(sweep) * p.radius.value;
  return p;
}

Piece arc_with_sagitta(PointMm a, PointMm b, double s) {
  const double c = distance(a, b);
  const double r = c * c / (8 * s) + s / 2;
  const PointMm centre = 0.5 * (a + b) + (r - s) * left_of(unit(b - a));
  return arc(a, centre, 2 * std::asin(c / 2 / r));
}

Piece cubic(PointMm a, PointMm b, double belly) {
  Piece p;
  p.kind = PieceKind::free;
  p.start = a;
  p.end = b;
  const PointMm out = -4.0 / 3 * belly * left_of(unit(b - a));
  const PointMm middle = 0.5 * (a + b) + 0.75 * out;
  const PointMm step = 1.0 / 6 * (b - a);
  p.control = {a, a + step + 0.5 * out, middle - step, middle, middle + step, b - step + 0.5 * out,
               b};
  p.length_mm.value = distance(a, b) * (1 + 8.0 / 3 * std::pow(belly / distance(a, b), 2));
  return p;
}

PointMm cubic_at(const Piece& p, std::size_t k, double t) {
  const double u = 1 - t;
  return u * u * u * p.control[k] + 3 * u * u * t * p.control[k + 1] +
         3 * u * t * t * p.control[k + 2] + t * t * t * p.control[k + 3];
}

PolygonMm sampled(const Piece& p) {
  PolygonMm out;
  constexpr int kSteps = 48;
  for (int i = 0; i < kSteps; ++i) {
    const double t = static_cast<double>(i) / kSteps;
    if (p.kind == PieceKind::line) out.push_back(p.start + t * (p.end - p.start));
    if (p.kind == PieceKind::arc) {
      out.push_back(p.centre + turned(p.start - p.centre, t * p.sweep_rad));
    }
    if (p.kind == PieceKind::free) {
      const double s = 2 * t;
      out.push_back(s < 1 ? cubic_at(p, 0, s) : cubic_at(p, 3, s - 1));
    }
  }
  return out;
}

void name_and_doubt(std::vector<Piece>& pieces) {
  int edge = 0;
  int corner = 0;
  for (Piece& p : pieces) {
    p.name = p.corner ? std::string("corner ") + static_cast<char>('A' + corner++)
                      : "edge " + std::to_string(++edge);
    p.length_mm.u95 = 0.4 + 0.0005 * p.length_mm.value;
    p.radius.u95 = 0.3 + 0.02 * p.radius.value;
    p.angle_deg.u95 = 0.12;
  }
}

model::Measurement finish(std::vector<Piece> pieces, double turn) {
  model::Measurement m;
  Outline& o = m.outline;
  name_and_doubt(pieces);
  for (Piece& p : pieces) {
    p.first = o.points.size();
    for (const PointMm q : sampled(p)) o.points.push_back(q);
    p.last = o.points.size();
    for (PointMm* q : {&p.start, &p.end, &p.centre}) *q = turned(*q, turn);
    for (PointMm& q : p.control) q = turned(q, turn);
  }
  pieces.back().last = 0;
  o.pieces = std::move(pieces);
  for (std::size_t i = 0; i < o.points.size(); ++i) {
    o.points[i] = turned(o.points[i], turn);
    o.u95_mm.push_back(0.5 + 0.3 * std::sin(0.02 * static_cast<double>(i)));
    o.points_px.push_back({900 + 1.9 * o.points[i].x, 2400 - 1.9 * o.points[i].y});
    o.seen.push_back(true);
  }
  o.box = min_area_box(o.points);
  o.long_mm = {o.box.long_mm, 0.62};
  o.short_mm = {o.box.short_mm, 0.48};
  o.area_mm2 = {signed_area_mm2(o.points), 480};
  o.perimeter_mm = {perimeter_mm(o.points), 1.3};
  m.boundary = "glass";
  m.photo_name = "sample-pane.jpg";
  m.photo_width_px = 4032;
  m.photo_height_px = 3024;
  m.lens_text = "phone-a profile, 12 photos";
  m.verdict = "The cards agree; measure again from another place if it matters.";
  m.cards = {{"card", 3, {{1100, 1900}, {1260, 1905}, {1257, 2006}, {1097, 2001}}},
             {"sheet", 0, {{1400, 1700}, {1800, 1700}, {1800, 2230}, {1400, 2230}}}};
  return m;
}

}  // namespace

model::Measurement slider(double times) {
  const double w = 486 * times;
  const double h = 412 * times;
  const double r = 14 * times;
  const double quarter = std::numbers::pi / 2;
  std::vector<Piece> pieces = {line({r, 0}, {w - r, 0}), arc({w - r, 0}, {w - r, r}, quarter),
                               line({w, r}, {w, h - r}), arc({w, h - r}, {w - r, h - r}, quarter),
                               line({w - r, h}, {r, h}), arc({r, h}, {r, h - r}, quarter),
                               line({0, h - r}, {0, r}), arc({0, r}, {r, r}, quarter)};
  for (std::size_t i = 1; i < pieces.size(); i += 2) {
    pieces[i].corner = true;
    pieces[i].angle_deg.value = 90;
  }
  model::Measurement m = finish(pieces, 0);
  // Between the centres of opposite roundings, and a radius at each end.
  const double diagonal = std::hypot(w - 2 * r, h - 2 * r) + 2 * r;
  m.outline.diagonals_mm = {{diagonal, 0.7}, {diagonal, 0.8}};
  return m;
}

model::Measurement door() {
  // Corner arcs meet their neighbours only roughly tangentially: enough for writers of files.
  std::vector<Piece> pieces = {line({30, 0}, {840, 12}),
                               arc_with_sagitta({840, 12}, {868, 44}, 11),
                               arc_with_sagitta({868, 44}, {845, 430}, 6),
                               arc_with_sagitta({845, 430}, {800, 470}, 16),
                               cubic({800, 470}, {320, 482}, 18),
                               arc_with_sagitta({320, 482}, {270, 466}, 7),
                               line({270, 466}, {0, 40}),
                               arc_with_sagitta({0, 40}, {30, 0}, 15)};
  for (const std::size_t i : {1U, 3U, 5U, 7U}) {
    pieces[i].corner = true;
    pieces[i].angle_deg.value = 70 + 15 * static_cast<double>(i);
  }
  model::Measurement m = finish(pieces, 0.12);
  Outline& o = m.outline;
  o.diagonals_mm = {{742.9, 0.8}, {1010.4, 0.9}};
  for (std::size_t i = 48 * 4 + 10; i < 48 * 4 + 30; ++i) o.seen[i] = false;
  for (std::size_t i = 20; i < 27; ++i) o.seen[i] = false;
  o.seen_fraction = 0.91;
  m.warnings = {{"stretch_not_seen",
                 "9 % of the boundary was not seen (242 mm on edge 3, 118 mm on edge 1): it was "
                 "bridged; move the lamp and take the photo again."},
                {"one_card", "Only one card lies on the pane: far from it the uncertainty grows."}};
  return m;
}

model::Measurement hostile() {
  model::Measurement m = door();
  m.photo_name = "a<b>&\"'\n0\nEOF\r\n\xff\xfe\xc3(\xe2\x80\xae]]>.jpg" + std::string(5000, 'x');
  m.boundary = "glass\n  0\nSECTION";
  m.verdict = "</text><script>alert(1)</script>\x01\x02";
  m.lens_text = "phone \xf0\x9f\x98\x80 <&>";
  m.warnings.push_back({"c<ode", "text & <more>\x1b[31m" + std::string(9000, 'w')});
  m.cards.push_back({"<card>", -1, {}});
  m.outline.pieces[0].name = "edge <1>&";
  return m;
}

model::Measurement porthole() {
  Piece p = arc({150, 0}, {0, 0}, 2 * std::numbers::pi);
  model::Measurement m = finish({p}, 0);
  m.outline.box = {{0, 0}, 0, 300, 300};
  m.outline.long_mm.value = m.outline.short_mm.value = 300;
  return m;
}

}  // namespace panecard::sample
