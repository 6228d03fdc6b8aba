#include "trace/findings.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "trace/join.h"
#include "trace/pairs.h"
#include "trace/rivals.h"

namespace panecard::trace {
namespace {

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
Stretch outside_photo(const Found& found, const PolygonMm& curve) {
  return longest_where(found.edge, [&](std::size_t i) {
    const PointPx px = found.sight.px(curve[i]);
    return !(px.x >= 0 && px.y >= 0 && px.x <= found.photo.width && px.y <= found.photo.height);
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
std::optional<Error> runs_out(const Found& found, std::vector<Finding>& findings) {
  constexpr double kWorthNaming_mm = 15;
  const Edge& edge = found.edge;
  const std::vector<double>& width_mm = found.ribbon.width_mm;
  const bool pointed = found.pointed;
  const std::size_t n = edge.points.size(), m = width_mm.size();
  const Stretch glass_out = outside_photo(
                    found, moved_out(edge, [&](std::size_t) { return pointed ? 0 : kMinWidth; })),
                seal_out = outside_photo(
                    found, moved_out(edge, [&](std::size_t i) { return width_mm[i * m / n]; }));
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

}  // namespace

std::optional<Error> why_not(const Found& found, std::vector<Finding>& findings) {
  std::optional<Error> error = runs_out(found, findings);
  if (!error) error = too_much_lost(found.edge);
  return card_in_the_way(found.cards, found.edge, error, findings);
}

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

}  // namespace panecard::trace
