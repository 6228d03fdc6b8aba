#include "trace/trace.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

#include "trace/band.h"
#include "trace/edge.h"
#include "trace/findings.h"
#include "trace/join.h"
#include "trace/ledges.h"
#include "trace/mend.h"
#include "trace/ribbon.h"
#include "trace/ring.h"
#include "trace/strip.h"
#include "trace/uncertainty.h"

namespace panecard::trace {
namespace {

// Where cards lie on the plane, a little larger than they are: their edges and halos are not glass.
std::vector<PolygonMm> card_shapes(const card::Plane& plane,
                                   const std::vector<card::DetectedCard>& cards) {
  std::vector<PolygonMm> shapes;
  for (std::size_t i = 0; i < cards.size() && i < plane.card_pose.size(); ++i) {
    double w = cards[i].width_mm, h = cards[i].height_mm;
    // The page of a sheet is not known from its board: the larger of A4 and Letter each way.
    if (cards[i].kind == card::Kind::sheet) {
      w = 215.9;
      h = 297;
    }
    constexpr double kHalo_mm = 2;
    w = w / 2 + kHalo_mm;
    h = h / 2 + kHalo_mm;
    const Eigen::Vector3d& pose = plane.card_pose[i];
    const double c = std::cos(pose[2]), s = std::sin(pose[2]);
    PolygonMm shape;
    for (const auto& [x, y] : {std::pair{-w, -h}, {w, -h}, {w, h}, {-w, h}}) {
      shape.push_back({pose[0] + c * x - s * y, pose[1] + s * x + c * y});
    }
    shapes.push_back(shape);
  }
  return shapes;
}

struct Unseen {
  double share = 0, longest_mm = 0;
  std::string where;  ///< sides of the stretches, longest first
};

Unseen unseen_stretches(const Contour& contour) {
  const std::size_t n = contour.points.size();
  const PointMm middle = middle_of(contour.points);
  struct Stretch {
    double length_mm = 0;
    PointMm at;
  };
  std::vector<Stretch> stretches;
  double total = 0, unseen = 0;
  std::size_t start = 0;
  while (start < n && !contour.seen[start]) ++start;
  for (std::size_t k = 0; k < n; ++k) {
    const std::size_t i = (start + k) % n, j = (i + 1) % n;
    const double step = distance(contour.points[i], contour.points[j]);
    total += step;
    if (contour.seen[i]) continue;
    unseen += step;
    if (stretches.empty() || contour.seen[(i + n - 1) % n])
      stretches.push_back({0, contour.points[i]});
    stretches.back().length_mm += step;
    stretches.back().at = contour.points[i];
  }
  std::sort(stretches.begin(), stretches.end(),
            [](const Stretch& a, const Stretch& b) { return a.length_mm > b.length_mm; });
  Unseen out;
  out.share = total > 0 ? unseen / total : 1;
  for (const Stretch& s : stretches) {
    out.longest_mm = std::max(out.longest_mm, s.length_mm);
    constexpr double kWorthNaming_mm = 15;
    if (s.length_mm < kWorthNaming_mm || out.where.size() > 60) continue;
    out.where += (out.where.empty() ? "" : ", ") + to_text(s.length_mm, 0) + " mm at the " +
                 side_name(middle, s.at);
  }
  return out;
}

// Half the boundary bridged, or a third in one stretch: what is left does not hold the shape.
constexpr double kMostUnseen = 0.5, kLongestUnseen = 0.33;

std::optional<Error> too_little_seen(const Unseen& unseen, double around_mm) {
  if (unseen.share <= kMostUnseen && unseen.longest_mm <= kLongestUnseen * around_mm) return {};
  return Error{Code::boundary_not_seen,
               to_text(100 * unseen.share, 0) + " % of the boundary is not seen (" + unseen.where +
                   "): light that side, shade the reflection there, or move the camera, and take "
                   "the photo again"};
}

void report_unseen(const Unseen& unseen, std::vector<Finding>& findings) {
  if (unseen.where.empty()) return;
  findings.push_back({"stretch_not_seen",
                      to_text(100 * unseen.share, 0) + " % of the boundary is bridged, not seen (" +
                          unseen.where + "); check these stretches on the glass"});
}

std::vector<PointPx> to_px(const Sight& sight, const PolygonMm& points) {
  std::vector<PointPx> px;
  px.reserve(points.size());
  for (const PointMm& p : points) px.push_back(sight.px(p));
  return px;
}

PolygonMm to_mm(const card::Plane& plane, const std::vector<PointPx>& near) {
  PolygonMm out;
  for (const PointPx& p : near) {
    const PointMm mm = card::mm_from_px(plane, p);
    if (std::isfinite(mm.x) && std::isfinite(mm.y)) out.push_back(mm);
  }
  return out;
}

Result<Traced> finish(Traced traced) {
  const Unseen unseen = unseen_stretches(traced.contour);
  if (self_intersects(traced.contour.points)) {
    return Error{Code::boundary_not_seen,
                 "what could be followed of the boundary crosses itself" +
                     (unseen.where.empty() ? "" : " (not seen: " + unseen.where + ")") +
                     ": light that side, shade the reflection there, or point at the boundary with "
                     "--near"};
  }
  if (auto error = too_little_seen(unseen, perimeter_mm(traced.contour.points))) return *error;
  report_unseen(unseen, traced.findings);
  return traced;
}

// Among several photos these are local: the others outweigh one where they see better.
void doubts_to_sigma(Sketch& sketch) {
  for (std::vector<double>* doubt_mm : {&sketch.choice_mm, &sketch.dark_mm}) {
    for (std::size_t i = 0; i < doubt_mm->size(); ++i) {
      sketch.sigma_mm[i] = std::hypot(sketch.sigma_mm[i], (*doubt_mm)[i]);
    }
    doubt_mm->clear();
  }
}

double share_seen(const Edge& edge) {
  const auto seen = std::count(edge.seen.begin(), edge.seen.end(), true);
  return static_cast<double>(seen) /
         static_cast<double>(std::max<std::size_t>(1, edge.seen.size()));
}

// Beside black glass there may be one clear edge only: the rim of the glass then passes for the
// seal, inside of which nothing is seen, and what was taken for the seal's outer edge is the glass
// edge.
void take_outer_edge_if_only_that_is_seen(const Pyramid& pyramid, const Sight& sight,
                                          const std::vector<PolygonMm>& cards, Ribbon& ribbon,
                                          Edge& edge) {
  constexpr double kWithin_mm = 4, kAnyWidth_mm = 0;
  if (share_seen(edge) > 1 - kMostUnseen) return;
  Ribbon other =
      find_ribbon_along(pyramid, sight, cards, outer_curve(ribbon), kWithin_mm, kAnyWidth_mm, {});
  Edge tried = place_edge(pyramid, sight, cards, other);
  if (share_seen(tried) <= 1 - kMostUnseen) return;
  ribbon = std::move(other);
  edge = std::move(tried);
}

Result<Sketch> sketch_of(const Shot& shot, const Options& options) {
  const card::Plane& plane = *shot.plane;
  const Sight sight(plane);
  const std::vector<PolygonMm> shapes = card_shapes(plane, *shot.cards);
  const Pyramid pyramid(shot.photo->bgr, 4);
  const bool band = options.boundary != Boundary::glass;
  const PolygonMm near = band ? PolygonMm{} : to_mm(plane, options.near);

  // 1. Closed curves around the cards where the body may end; 2. the seal that fits one best.
  const Result<Rings> rings = Rings::find(pyramid, sight, shapes, near);
  if (!rings.ok()) return rings.error();
  Ribbon ribbon = find_ribbon(pyramid, sight, shapes, rings.value(), near);

  // 3. The glass edge to a fraction of a pixel. Where the user pointed it may step.
  Sketch sketch;
  Edge edge = place_edge(pyramid, sight, shapes, ribbon);
  if (near.empty()) {
    take_outer_edge_if_only_that_is_seen(pyramid, sight, shapes, ribbon, edge);
    sketch.findings = level_ledges(pyramid, sight, shapes, ribbon, edge);
  }
  if (auto error = why_not({sight, pyramid.size(), shapes, ribbon, edge, near}, sketch.findings)) {
    return *error;
  }

  report_doubts(ribbon, edge, sketch.findings);
  if (!band) {
    report_narrowness(edge, sketch.findings);
    carry_rivals(ribbon, edge, sketch.findings);
    constexpr double kDefinition_mm = 0.12;
    sketch.points = std::move(edge.points);
    sketch.sigma_mm = std::move(edge.sigma_mm);
    sketch.choice_mm = std::move(edge.choice_mm);
    // Anywhere from where it is seen to where the seal's width says; about the former.
    for (const double narrower : edge.narrower_mm) {
      sketch.dark_mm.push_back(narrower / std::numbers::sqrt3);
    }
    sketch.seen = std::move(edge.seen);
    // Shading lies on the seal's side all round: opposite sides err the same way, by the root of
    // two more together than independent ones.
    for (const double shading : edge.shading_mm) {
      sketch.definition_mm.push_back(std::hypot(kDefinition_mm, std::sqrt(2.0) * shading));
    }
    return sketch;
  }

  // 4. The printed band inside it, seen through the glass.
  Result<BandCurve> found = find_band(*shot.photo, plane, *shot.cards, edge.points, options);
  if (!found.ok()) return found.error();
  BandCurve& curve = found.value();
  sketch.findings.insert(sketch.findings.end(), curve.findings.begin(), curve.findings.end());
  sketch.points = std::move(curve.points);
  sketch.sigma_mm = std::move(curve.sigma_mm);
  sketch.seen = std::move(curve.seen);
  sketch.per_mm_thickness = std::move(curve.per_mm_thickness);
  sketch.definition_mm.assign(sketch.points.size(), curve.definition_sigma_mm);
  return sketch;
}

/// The sketch's points as a photo shows them: what lies behind the glass is seen displaced.
std::vector<PointPx> seen_at(const Sight& sight, const Sketch& sketch, double thickness_mm) {
  if (sketch.per_mm_thickness.empty()) return to_px(sight, sketch.points);
  PolygonMm apparent = sketch.points;
  for (std::size_t i = 0; i < apparent.size(); ++i) {
    apparent[i] = apparent[i] - thickness_mm * sketch.per_mm_thickness[i];
  }
  return to_px(sight, apparent);
}

}  // namespace

Result<Traced> trace(const photo::Photo& photo, const card::Plane& plane,
                     const std::vector<card::DetectedCard>& cards, const Options& options) {
  return trace({{&photo, &plane, &cards}}, options);
}

Result<Traced> trace(const std::vector<Shot>& shots, const Options& options) {
  std::vector<Sketch> sketches;
  std::vector<const card::Plane*> planes;
  std::vector<std::vector<double>> plane_sigma;
  std::vector<std::vector<PointPx>> px;
  for (std::size_t v = 0; v < shots.size(); ++v) {
    Options own = options;
    if (v > 0) own.near = to_px(Sight(*shots[v].plane), to_mm(*shots[0].plane, options.near));
    const std::string which = shots.size() > 1 ? "photo " + std::to_string(v + 1) + ": " : "";
    Result<Sketch> sketch = sketch_of(shots[v], own);
    if (!sketch.ok()) {
      return Error{sketch.error().code, which + sketch.error().detail};
    }
    sketches.push_back(std::move(sketch.value()));
    for (Finding& finding : sketches.back().findings) finding.text = which + finding.text;
    if (shots.size() > 1) doubts_to_sigma(sketches.back());
    planes.push_back(shots[v].plane);
    const Sight sight(*planes[v]);
    plane_sigma.push_back(plane_sigma_mm(*planes[v], sketches[v],
                                         seen_at(sight, sketches[v], options.glass_thickness_mm)));
  }
  const Joined joined = join(sketches, plane_sigma);
  px.reserve(planes.size());
  for (const card::Plane* plane : planes) {
    px.push_back(seen_at(Sight(*plane), joined.sketch, options.glass_thickness_mm));
  }
  Traced traced;
  traced.findings = joined.sketch.findings;
  traced.contour = with_uncertainty(joined, planes, px, options.sigma_glass_thickness_mm);
  return finish(std::move(traced));
}

struct Mender::Ready {
  MendView view;
};

Mender::Mender(const std::vector<Shot>& shots, Boundary boundary)
    : ready_(new Ready{{{}, shots.front().plane, boundary != Boundary::dots}}) {
  for (const Shot& shot : shots) {
    ready_->view.eyes.push_back(
        {Pyramid(shot.photo->bgr, 4), Sight(*shot.plane), card_shapes(*shot.plane, *shot.cards)});
  }
}
Mender::Mender(Mender&&) noexcept = default;
Mender& Mender::operator=(Mender&&) noexcept = default;
Mender::~Mender() = default;

Result<Traced> Mender::operator()(const Traced& before, const Mend& mend) const {
  auto contour = mended(ready_->view, before.contour, mend);
  if (!contour.ok()) return contour.error();
  Traced traced;
  traced.contour = std::move(contour).value();
  for (const Finding& f : before.findings) {
    if (f.code != "stretch_not_seen" && f.code != "put_right") traced.findings.push_back(f);
  }
  traced.findings.push_back(
      {"put_right", "part of the outline was put right by hand: check its sizes on the glass"});
  return finish(std::move(traced));
}

}  // namespace panecard::trace
