#include "trace/trace.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <numeric>

#include "trace/band.h"
#include "trace/edge.h"
#include "trace/join.h"
#include "trace/ledges.h"
#include "trace/mend.h"
#include "trace/pairs.h"
#include "trace/ribbon.h"
#include "trace/ring.h"
#include "trace/rivals.h"
#include "trace/strip.h"
#include "trace/uncertainty.h"

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

/// Where the outline turns by three quarters of a right angle within 8 mm, more sharply than a
/// radius of 6 mm: panes are rounder, and a reflection that cuts across one is not.
std::optional<PointMm> sharpest_corner(const PolygonMm& points) {
  constexpr double kWithin_mm = 8, kTurn_rad = 75 * M_PI / 180;
  const std::size_t n = points.size();
  const auto reach = static_cast<std::size_t>(
      std::max(1.0, std::round(kWithin_mm / 2 * static_cast<double>(n) / perimeter_mm(points))));
  double most = kTurn_rad;
  std::optional<PointMm> where;
  for (std::size_t i = 0; i < n; ++i) {
    // The headings of what lies before and after, each over as much again.
    const PointMm before = points[(i + n - reach) % n] - points[(i + n - 2 * reach) % n];
    const PointMm after = points[(i + 2 * reach) % n] - points[(i + reach) % n];
    const double turn = std::abs(std::atan2(cross(before, after), dot(before, after)));
    if (turn <= most) continue;
    most = turn;
    where = points[i];
  }
  return where;
}

// Where the last of the seal is lost in the dark over a good part of a side.
void report_narrowness(const Edge& edge, std::vector<Finding>& findings) {
  constexpr double kWorthNaming_mm = 1, kLong_mm = 50;
  double length_mm = 0, longest_mm = 0, most_mm = 0;
  PointMm where;
  for (std::size_t i = 0; i < edge.points.size(); ++i) {
    const bool narrow = edge.narrower_mm[i] >= kWorthNaming_mm;
    length_mm = narrow ? length_mm + kEdgeRow_mm : 0;
    longest_mm = std::max(longest_mm, length_mm);
    if (edge.narrower_mm[i] > most_mm) most_mm = edge.narrower_mm[i], where = edge.points[i];
  }
  if (longest_mm < kLong_mm) return;
  findings.push_back({"seal_in_shadow",
                      "at the " + std::string(side_name(middle_of(edge.points), where)) +
                          " the seal looks up to " + to_text(most_mm, 1) +
                          " mm narrower than elsewhere and fades into the dark: it may meet the "
                          "glass so much further in, for which the ± allows; light that side and "
                          "take the photo again"});
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
  if (const auto corner = sharpest_corner(edge.points)) {
    findings.push_back({"odd_shape", "the outline has a sharp corner at the " +
                                         std::string(side_name(middle_of(edge.points), *corner)) +
                                         ", where panes are rounded: look at the overlay, and "
                                         "point at the boundary with --near where it strays"});
  }
  constexpr double kFaintSeal = 2;  // half of one clear edge per point, all penalties taken off
  if (ribbon.score < kFaintSeal) {
    findings.push_back({"faint_seal",
                        "body, seal and glass are hard to tell apart in this photo: look at the "
                        "overlay all the way round before you trust the sizes"});
  }
}

// Where another edge may be the right one 95 % must reach as far as that one, all along together,
// and a person is asked to look: two values 9 mm apart are not one with a wider margin.
void carry_rivals(const Ribbon& ribbon, Edge& edge, std::vector<Finding>& findings) {
  const std::size_t n = edge.points.size(), m = ribbon.rival_probability.size();
  const PointMm middle = middle_of(edge.points);
  edge.choice_mm.assign(n, 0);
  double length_mm = 0, likeliest = 0, away_mm = 0;
  PointMm where;
  for (std::size_t i = 0; i < n; ++i) {
    const double p = ribbon.rival_probability[i * m / n], d = ribbon.rival_mm[i * m / n];
    if (p < kLikelyRival) continue;
    edge.choice_mm[i] = d / 2;
    length_mm += distance(edge.points[i], edge.points[(i + 1) % n]);
    if (p > likeliest) likeliest = p, away_mm = d, where = edge.points[i];
  }
  constexpr double kWorthNaming_mm = 15;
  if (length_mm < kWorthNaming_mm) return;
  findings.push_back({"two_edges", "at the " + std::string(side_name(middle, where)) + " an edge " +
                                       to_text(std::abs(away_mm), 0) + " mm further " +
                                       (away_mm > 0 ? "out" : "in") +
                                       " may be the pane's instead (1 in " +
                                       to_text(1 / likeliest, 0) + "; " + to_text(length_mm, 0) +
                                       " mm of the way in all): look at the overlay there, and "
                                       "point at the right one with --near"});
}

// The longest stretch of the way of which something holds.
struct Stretch {
  double length_mm = 0, unseen_mm = 0;  ///< of it where the glass edge is not seen
  PointMm where;
};

template <typename Is>
Stretch longest_where(const Edge& edge, Is is) {
  const std::size_t n = edge.points.size();
  Stretch longest, now;
  std::size_t first = 0;
  for (std::size_t k = 0; k < 2 * n; ++k) {  // a stretch may go on past the last point
    const std::size_t i = k % n;
    if (!is(i)) {
      now = {};
      first = k + 1;
      continue;
    }
    const double step_mm = distance(edge.points[i], edge.points[(i + 1) % n]);
    now.length_mm += step_mm;
    now.unseen_mm += edge.seen[i] ? 0 : step_mm;
    now.where = edge.points[(first + k) / 2 % n];
    if (now.length_mm > longest.length_mm) longest = now;
  }
  return longest;
}

// @param curve  beside each of the edge's points
Stretch outside_photo(const Sight& sight, cv::Size photo, const Edge& edge,
                      const PolygonMm& curve) {
  return longest_where(edge, [&](std::size_t i) {
    const PointPx px = sight.px(curve[i]);
    return !(px.x >= 0 && px.y >= 0 && px.x <= photo.width && px.y <= photo.height);
  });
}

// The edge's points, moved outwards by so much each.
template <typename By_mm>
PolygonMm moved_out(const Edge& edge, By_mm by_mm) {
  const PolygonMm normals = outward_normals(edge.points);
  PolygonMm out = edge.points;
  for (std::size_t i = 0; i < out.size(); ++i) out[i] = out[i] + by_mm(i) * normals[i];
  return out;
}

// The seal tells which edge is the glass's: where the photo ends before the narrowest one would,
// the pane may go on beyond, and so it may where the photo ends within the seal and no edge is seen
// either. Where the user pointed, the glass alone has to be in the photo.
std::optional<Error> runs_out(const Sight& sight, cv::Size photo, const Ribbon& ribbon,
                              const Edge& edge, bool pointed, std::vector<Finding>& findings) {
  constexpr double kWorthNaming_mm = 15;
  const double least_mm = pointed ? 0 : kMinWidth;
  const std::size_t n = edge.points.size(), m = ribbon.width_mm.size();
  const PolygonMm glass = moved_out(edge, [&](std::size_t) { return least_mm; }),
                  seal = moved_out(edge, [&](std::size_t i) { return ribbon.width_mm[i * m / n]; });
  const Stretch glass_out = outside_photo(sight, photo, edge, glass),
                seal_out = outside_photo(sight, photo, edge, seal);
  const PointMm middle = middle_of(edge.points);
  const bool cut_short = glass_out.length_mm >= kWorthNaming_mm;
  if (cut_short || (!pointed && seal_out.unseen_mm >= kWorthNaming_mm)) {
    return Error{Code::boundary_not_seen,
                 "the pane, or the seal around it, runs out of the photo at the " +
                     std::string(side_name(middle, (cut_short ? glass_out : seal_out).where)) +
                     ": step back until the whole pane and some of the body around it are in the "
                     "photo, and take it again"};
  }
  if (!pointed && seal_out.length_mm >= kWorthNaming_mm) {
    findings.push_back(
        {"seal_cut_off", "at the " + std::string(side_name(middle, seal_out.where)) +
                             " the seal runs out of the photo over " +
                             to_text(seal_out.length_mm, 0) +
                             " mm: look at the overlay whether the glass ends there, or step back "
                             "and take the photo again"});
  }
  return {};
}

// Where a card hides the edge, or keeps the outline off it: the longest stretch.
Stretch behind_cards(const std::vector<PolygonMm>& cards, const Edge& edge) {
  constexpr double kBeside_mm = 10;
  const auto at_card = [&](PointMm p) {
    return std::any_of(cards.begin(), cards.end(), [&](const PolygonMm& card) {
      if (contains(card, p)) return true;
      for (std::size_t i = 0; i < card.size(); ++i) {
        if (distance_to_segment(p, card[i], card[(i + 1) % card.size()]) < kBeside_mm) return true;
      }
      return false;
    });
  };
  return longest_where(edge,
                       [&](std::size_t i) { return !edge.seen[i] && at_card(edge.points[i]); });
}

// Where neither the glass edge nor the seal's outer edge is to be seen, a bridge has no support.
std::optional<Error> too_much_lost(const Edge& edge) {
  if (edge.lost.empty()) return {};
  const auto lost = std::count(edge.lost.begin(), edge.lost.end(), true);
  const double share = static_cast<double>(lost) / static_cast<double>(edge.lost.size());
  constexpr double kMostLost = 0.15;
  if (share <= kMostLost) return {};
  return Error{
      Code::boundary_not_seen,
      "over " + to_text(100 * share, 0) +
          " % of the way neither the glass edge nor the seal's outer edge is seen: lay the card on "
          "the glass itself, light the pane from the side, hang a bright cloth behind it, and take "
          "the photo again"};
}

// A corner of a card that lies well outside what was seen of the edge.
std::optional<PointMm> sticks_out(const std::vector<PolygonMm>& cards, const Edge& edge) {
  constexpr double kWell_mm = 10;  // an unseen side may bulge beyond what its ends show
  PolygonMm seen;
  for (std::size_t i = 0; i < edge.points.size(); ++i) {
    if (edge.seen[i]) seen.push_back(edge.points[i]);
  }
  if (seen.size() < 3) return {};
  const PolygonMm hull = convex_hull(seen);
  for (const PolygonMm& card : cards) {
    for (const PointMm& corner : card) {
      double off = std::numeric_limits<double>::infinity();
      for (std::size_t i = 0; i < hull.size(); ++i) {
        off = std::min(off, distance_to_segment(corner, hull[i], hull[(i + 1) % hull.size()]));
      }
      if (!contains(hull, corner) && off > kWell_mm) return corner;
    }
  }
  return {};
}

// A card over the seal hides what is looked for, and does not lie flat on the glass either.
// @param error  what else keeps the outline from being measured; the card may be why
std::optional<Error> card_in_the_way(const std::vector<PolygonMm>& cards, const Edge& edge,
                                     const std::optional<Error>& error,
                                     std::vector<Finding>& findings) {
  constexpr double kWorthNaming_mm = 15;
  const Stretch hidden = behind_cards(cards, edge);
  const bool hides = hidden.length_mm >= kWorthNaming_mm;
  const auto corner = error && !hides ? sticks_out(cards, edge) : std::nullopt;
  if (!hides && !corner) return error;
  const std::string where = side_name(middle_of(edge.points), hides ? hidden.where : *corner);
  if (error) {
    return Error{error->code, error->detail + "; lay the card at the " + where +
                                  " wholly inside the pane, it hides the edge of the glass"};
  }
  findings.push_back({"card_over_edge",
                      "at the " + where + " a card hides the edge of the glass over " +
                          to_text(hidden.length_mm, 0) +
                          " mm, where the outline is bridged: lay it wholly inside the pane, flat "
                          "on the glass, and take the photo again"});
  return {};
}

Result<Traced> finish(Traced traced) {
  const Unseen unseen = unseen_stretches(traced.contour);
  if (crosses_itself(traced.contour.points)) {
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
  auto error = runs_out(sight, pyramid.size(), ribbon, edge, !near.empty(), sketch.findings);
  if (!error) error = too_much_lost(edge);
  if (auto failed = card_in_the_way(shapes, edge, error, sketch.findings)) return *failed;

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
                     const std::vector<card::Sighting>& cards, const Options& options) {
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
