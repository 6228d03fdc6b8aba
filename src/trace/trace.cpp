#include "trace/trace.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numeric>

#include "trace/band.h"
#include "trace/edge.h"
#include "trace/ribbon.h"
#include "trace/ring.h"
#include "trace/strip.h"

namespace panecard::trace {
namespace {

// Where cards lie on the plane, a little larger than they are: their edges and halos are not glass.
std::vector<PolygonMm> card_shapes(const card::Plane& plane,
                                   const std::vector<card::Sighting>& cards) {
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

// A mode that only shifts and turns the whole outline is no error of its shape: taken out by least
// squares, so that what remains is the same wherever the first card lay.
void remove_motion(const PolygonMm& points, PolygonMm& mode) {
  PointMm middle{}, shift{};
  const double each = 1.0 / static_cast<double>(points.size());
  for (std::size_t i = 0; i < points.size(); ++i) {
    middle = middle + each * points[i];
    shift = shift + each * mode[i];
  }
  double turn = 0, inertia = 0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const PointMm arm = points[i] - middle;
    turn += cross(arm, mode[i] - shift);
    inertia += dot(arm, arm);
  }
  turn /= inertia;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const PointMm arm = points[i] - middle;
    mode[i] = mode[i] - shift - turn * PointMm{-arm.y, arm.x};
  }
}

void add_mode(Contour& contour, PolygonMm mode, const std::string& name) {
  remove_motion(contour.points, mode);
  double most = 0;
  for (const PointMm& p : mode) most = std::max(most, norm(p));
  constexpr double kNegligible_mm = 5e-4;
  if (most < kNegligible_mm) return;
  contour.modes.push_back(std::move(mode));
  contour.mode_names.push_back(name);
}

// The plane's and the lens's uncertainty, moved to every point of the contour.
void add_plane_modes(const card::Plane& plane, const std::vector<PointPx>& px, Contour& contour) {
  const std::size_t n = contour.points.size();
  constexpr std::size_t kEvery = 8;  // the modes are smooth
  std::vector<Eigen::MatrixXd> at;
  for (std::size_t i = 0; i < n; i += kEvery) {
    at.emplace_back(card::mm_jacobian(plane, px[i]) * plane.factor);
  }
  for (Eigen::Index k = 0; k < plane.factor.cols(); ++k) {
    PolygonMm mode(n);
    for (std::size_t i = 0; i < n; ++i) {
      const std::size_t a = i / kEvery, b = (a + 1) % at.size();
      const std::size_t next = b == 0 ? n : b * kEvery;
      const double t = static_cast<double>(i - a * kEvery) / static_cast<double>(next - a * kEvery);
      const Eigen::Vector2d v = (1 - t) * at[a].col(k) + t * at[b].col(k);
      mode[i] = {v.x(), v.y()};
    }
    add_mode(contour, std::move(mode), plane.sources[static_cast<std::size_t>(k)]);
  }
}

// The edge is where a rounded, shaded seal meets the glass: how far the visible edge may lie from
// it is alike along one side and not from side to side, so each eighth of the turn has its own.
void add_definition_modes(double sigma_mm, const PolygonMm& normals, Contour& contour) {
  constexpr int kSides = 8;
  const std::size_t n = contour.points.size();
  for (int side = 0; side < kSides; ++side) {
    PolygonMm mode(n);
    for (std::size_t i = 0; i < n; ++i) {
      const double facing = std::atan2(normals[i].y, normals[i].x) / (2 * M_PI) * kSides - side;
      const double away = std::abs(std::remainder(facing, kSides));
      if (away < 1) mode[i] = sigma_mm * std::cos(away * M_PI / 2) * normals[i];
    }
    add_mode(contour, std::move(mode), "definition of the edge");
  }
}

const char* side_name(PointMm middle, PointMm p) {
  const double x = p.x - middle.x, y = p.y - middle.y;
  if (std::abs(x) > 2 * std::abs(y)) return x > 0 ? "right" : "left";
  if (std::abs(y) > 2 * std::abs(x)) return y > 0 ? "top" : "bottom";
  if (y > 0) return x > 0 ? "top right" : "top left";
  return x > 0 ? "bottom right" : "bottom left";
}

struct Unseen {
  double share = 0, longest_mm = 0;
  std::string where;  ///< sides of the stretches, longest first
};

Unseen unseen_stretches(const Contour& contour) {
  const std::size_t n = contour.points.size();
  PointMm middle{};
  for (const PointMm& p : contour.points) middle = middle + 1.0 / static_cast<double>(n) * p;
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

// Edge noise is local and stays with the contour, where the outline's fit weighs it. What a bridge
// may be off by is alike along the whole bridge: it becomes shared modes, and the fit is free to
// trust the bridge's shape.
Contour to_contour(PolygonMm points, const std::vector<double>& sigma_mm, std::vector<bool> seen) {
  constexpr double kEdgeCorrelation_mm = 6, kBridgeCorrelation_mm = 80, kMostEdgeNoise_mm = 0.1;
  constexpr std::size_t kMostBumps = 60;
  Contour contour;
  contour.points = std::move(points);
  contour.seen = std::move(seen);
  const std::size_t n = contour.points.size();
  contour.sigma_mm.assign(n, 0);
  contour.correlation_mm = kBridgeCorrelation_mm;
  for (std::size_t i = 0; i < n; ++i) {
    const double local = std::min(sigma_mm[i], kMostEdgeNoise_mm);
    contour.sigma_mm[i] = std::sqrt(sigma_mm[i] * sigma_mm[i] - local * local);
  }
  const PolygonMm normals = outward_normals(contour.points);
  for (const NoiseBump& bump : noise_bumps(contour, kMostBumps)) {
    PolygonMm mode(n);
    for (std::size_t k = 0; k < bump.along_normal_mm.size(); ++k) {
      const std::size_t i = (bump.first + k) % n;
      mode[i] = bump.along_normal_mm[k] * normals[i];
    }
    add_mode(contour, std::move(mode), "bridge");
  }
  for (std::size_t i = 0; i < n; ++i) {
    contour.sigma_mm[i] = std::min(sigma_mm[i], kMostEdgeNoise_mm);
  }
  contour.correlation_mm = kEdgeCorrelation_mm;
  return contour;
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

// What a person should look at before trusting the outline: no number above shows these.
void report_doubts(const Ribbon& ribbon, const Edge& edge, std::vector<Finding>& findings) {
  const double hull_mm2 = signed_area_mm2(convex_hull(edge.points));
  const double missing = 1 - signed_area_mm2(edge.points) / hull_mm2;
  constexpr double kOddShare = 0.01;
  if (missing > kOddShare) {
    findings.push_back({"odd_shape", "the outline has a notch or a bump, " +
                                         to_text(100 * missing, 1) +
                                         " % of its convex hull, which panes rarely have: look at "
                                         "the overlay, and point at the boundary with --near where "
                                         "it strays"});
  }
  constexpr double kFaintSeal = 2;  // half of one clear edge per point, all penalties taken off
  if (ribbon.score < kFaintSeal) {
    findings.push_back({"faint_seal",
                        "body, seal and glass are hard to tell apart in this photo: look at the "
                        "overlay all the way round before you trust the sizes"});
  }
}

// Where neither the glass edge nor the seal's outer edge is to be seen, a bridge has no support.
std::optional<Error> too_much_lost(const Edge& edge) {
  const auto lost = std::count(edge.lost.begin(), edge.lost.end(), true);
  const double share = static_cast<double>(lost) / static_cast<double>(edge.lost.size());
  constexpr double kMostLost = 0.15;
  if (share <= kMostLost) return {};
  return Error{
      Code::boundary_not_seen,
      "over " + to_text(100 * share, 0) +
          " % of the way neither the glass edge nor the seal's outer edge is seen: light "
          "the pane from the side, hang a bright cloth behind it, and take the photo again"};
}

Result<Traced> finish(Traced traced) {
  const Unseen unseen = unseen_stretches(traced.contour);
  if (auto error = too_little_seen(unseen, perimeter_mm(traced.contour.points))) return *error;
  report_unseen(unseen, traced.findings);
  return traced;
}

}  // namespace

Result<Traced> trace(const photo::Photo& photo, const card::Plane& plane,
                     const std::vector<card::Sighting>& cards, const Options& options) {
  const Sight sight(plane);
  const std::vector<PolygonMm> shapes = card_shapes(plane, cards);
  const Pyramid pyramid(photo.bgr, 4);
  const bool band = options.boundary != Boundary::glass;
  const PolygonMm near = band ? PolygonMm{} : to_mm(plane, options.near);

  // 1. Closed curves around the cards where the body may end; 2. the seal that fits one best.
  const Result<std::vector<PolygonMm>> rings = find_rings(pyramid, sight, shapes, near);
  if (!rings.ok()) return rings.error();
  const Ribbon ribbon = find_ribbon(pyramid, sight, shapes, rings.value(), near);

  // 3. The glass edge to a fraction of a pixel.
  Edge edge = place_edge(pyramid, sight, shapes, ribbon);

  if (auto error = too_much_lost(edge)) return *error;

  Traced traced;
  report_doubts(ribbon, edge, traced.findings);
  if (!band) {
    traced.contour = to_contour(std::move(edge.points), edge.sigma_mm, std::move(edge.seen));
    traced.contour.points_px = to_px(sight, traced.contour.points);
    add_plane_modes(plane, traced.contour.points_px, traced.contour);
    constexpr double kDefinition_mm = 0.12;
    add_definition_modes(kDefinition_mm, edge.normals, traced.contour);
    return finish(std::move(traced));
  }

  // 4. The printed band inside it, seen through the glass.
  Result<BandCurve> found = find_band(photo, plane, cards, edge.points, options);
  if (!found.ok()) return found.error();
  BandCurve& curve = found.value();
  traced.findings.insert(traced.findings.end(), curve.findings.begin(), curve.findings.end());
  PolygonMm apparent = curve.points;
  for (std::size_t i = 0; i < apparent.size(); ++i) {
    apparent[i] = apparent[i] - options.glass_thickness_mm * curve.per_mm_thickness[i];
  }
  traced.contour = to_contour(std::move(curve.points), curve.sigma_mm, std::move(curve.seen));
  traced.contour.points_px = to_px(sight, apparent);
  add_plane_modes(plane, traced.contour.points_px, traced.contour);
  add_definition_modes(curve.definition_sigma_mm, outward_normals(traced.contour.points),
                       traced.contour);
  for (PointMm& p : curve.per_mm_thickness) p = options.sigma_glass_thickness_mm * p;
  add_mode(traced.contour, std::move(curve.per_mm_thickness), "glass thickness");
  return finish(std::move(traced));
}

}  // namespace panecard::trace
