#include "trace/findings.h"

#include <algorithm>
#include <cmath>

#include "trace/join.h"
#include "trace/pairs.h"
#include "trace/rivals.h"

namespace panecard::trace {
namespace {

constexpr double kWorthNaming_mm = 15;  // of the way round

// The longest stretch of the way of which something holds.
struct Stretch {
  double length_mm = 0;
  PointMm where;  ///< its middle
};

template <typename Is>
Stretch longest_where(const Edge& edge, Is is) {
  const std::size_t n = edge.points.size();
  Stretch longest, now;
  std::size_t first = 0;
  for (std::size_t k = 0; k < 2 * n && k < first + n; ++k) {  // it may go on past the last point
    const std::size_t i = k % n;
    if (!is(i)) {
      now = {};
      first = k + 1;
      continue;
    }
    const double step_mm = distance(edge.points[i], edge.points[(i + 1) % n]);
    now.length_mm += step_mm;
    now.where = edge.points[(first + k) / 2 % n];
    if (now.length_mm > longest.length_mm) longest = now;
  }
  return longest;
}

bool outside_photo(const Found& found, PointMm p) {
  const PointPx px = found.sight.px(p);
  return !(px.x >= 0 && px.y >= 0 && px.x <= found.photo.width && px.y <= found.photo.height);
}

// The seal tells which edge is the glass's: where the photo ends before the narrowest one would,
// the pane may go on beyond, and so it may where the photo ends within the seal and no edge is seen
// either. Where the user pointed, the glass alone has to be in the photo.
std::optional<Error> runs_out(const Found& found, std::vector<Finding>& findings) {
  constexpr double kPointed_mm = 15;
  const Edge& edge = found.edge;
  const std::vector<double>& width_mm = found.ribbon.width_mm;
  const std::size_t n = edge.points.size(), m = width_mm.size();
  const PolygonMm normals = outward_normals(edge.points);
  const auto pointed = [&](PointMm p) {
    return std::any_of(found.near.begin(), found.near.end(),
                       [&](PointMm at) { return distance(p, at) < kPointed_mm; });
  };
  const auto out_by = [&](std::size_t i, double mm) {
    const PointMm p = edge.points[i];
    return outside_photo(found, p + mm * normals[i]) && (outside_photo(found, p) || !pointed(p));
  };
  const auto seal_out = [&](std::size_t i) { return out_by(i, width_mm[i * m / n]); };
  const Stretch cut_short =
                    longest_where(edge, [&](std::size_t i) { return out_by(i, kMinWidth); }),
                unseen = longest_where(edge,
                                       [&](std::size_t i) { return !edge.seen[i] && seal_out(i); }),
                seal = longest_where(edge, seal_out);
  const PointMm middle = middle_of(edge.points);
  for (const Stretch& stretch : {cut_short, unseen}) {
    if (stretch.length_mm < kWorthNaming_mm) continue;
    return Error{Code::boundary_not_seen,
                 "the pane, or the seal around it, runs out of the photo at the " +
                     std::string(side_name(middle, stretch.where)) +
                     ": step back until the whole pane and some of the body around it are in the "
                     "photo, and take it again"};
  }
  if (seal.length_mm >= kWorthNaming_mm) {
    findings.push_back(
        {"seal_cut_off", "at the " + std::string(side_name(middle, seal.where)) +
                             " the seal runs out of the photo over " + to_text(seal.length_mm, 0) +
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
      return contains(card, p) || distance_to_closed(p, card) < kBeside_mm;
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
      if (!contains(hull, corner) && distance_to_closed(corner, hull) > kWell_mm) return corner;
    }
  }
  return {};
}

// A card over the seal hides what is looked for, and does not lie flat on the glass either.
// @param error  what else keeps the outline from being measured; the card may be why
std::optional<Error> card_in_the_way(const std::vector<PolygonMm>& cards, const Edge& edge,
                                     const std::optional<Error>& error,
                                     std::vector<Finding>& findings) {
  const Stretch hidden = behind_cards(cards, edge);
  const bool hides = hidden.length_mm >= kWorthNaming_mm;
  const auto corner = error && !hides ? sticks_out(cards, edge) : std::nullopt;
  if (!hides && !corner) return error;
  const std::string where = side_name(middle_of(edge.points), hides ? hidden.where : *corner);
  if (error) {
    return Error{error->code, "a card may hide the edge of the glass at the " + where +
                                  ": lay it wholly inside the pane; or else " + error->detail};
  }
  findings.push_back({"card_over_edge",
                      "at the " + where +
                          " a card lies over the edge of the glass or close to it, " +
                          to_text(hidden.length_mm, 0) +
                          " mm of which are not seen: lay it wholly inside the pane, flat on the "
                          "glass, and take the photo again"});
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
  constexpr double kNarrow_mm = 1, kLong_mm = 50;
  const auto narrow = [&](std::size_t i) { return edge.narrower_mm[i] >= kNarrow_mm; };
  if (longest_where(edge, narrow).length_mm < kLong_mm) return;
  const auto most = std::max_element(edge.narrower_mm.begin(), edge.narrower_mm.end());
  const PointMm where = edge.points[static_cast<std::size_t>(most - edge.narrower_mm.begin())];
  findings.push_back({"seal_in_shadow",
                      "at the " + std::string(side_name(middle_of(edge.points), where)) +
                          " the seal looks up to " + to_text(*most, 1) +
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
  if (length_mm < kWorthNaming_mm) return;
  findings.push_back(
      {"two_edges", "at the " + std::string(side_name(middle, where)) + " an edge " +
                        to_text(std::abs(away_mm), 0) + " mm further " +
                        (away_mm > 0 ? "out" : "in") + " may be the pane's instead (" +
                        to_text(100 * likeliest, 0) + " %; " + to_text(length_mm, 0) +
                        " mm of the way in all): look at the overlay there, and "
                        "point at the right one with --near"});
}

}  // namespace panecard::trace
