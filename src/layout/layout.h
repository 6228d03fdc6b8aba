// Lays pieces on a strip of film so that little of it is used.
//
// Frame    strip: mm, x along the roll from its start, y across from the lower edge.
// Method   strip packing by overlap minimisation (guided local search on no-fit polygons), with a
//          linear programme for compaction. GEOS checks every layout before it is returned.
//          Choices and papers: docs/layout.md.
#pragma once

#include <cstdint>
#include <functional>
#include <limits>
#include <string>
#include <vector>

#include "base/base.h"
#include "geom/geom.h"

namespace panecard::layout {

/// One shape to be cut, in one or more copies.
struct Item {
  std::string name;
  PolygonMm shape;                      ///< counter-clockwise, simple
  std::vector<double> turns_deg = {0};  ///< allowed turns, counter-clockwise
  bool may_mirror = false;              ///< the mirror image (x to -x) is allowed too
  int copies = 1;
};

struct Strip {
  double width_mm = 0;
  double gap_mm = 0;   ///< least distance between two pieces
  double edge_mm = 0;  ///< kept free along both edges of the film and at its start and end
};

/// Pose of one copy: its shape is mirrored (x to -x) or not, then turned, then shifted (mm).
struct Placed {
  std::size_t item = 0;
  double turn_deg = 0;
  bool mirrored = false;
  PointMm shift;
};

struct Layout {
  std::vector<Placed> placed;  ///< items in order, copies together
  double length_mm = 0;        ///< of film used, with the free edges at both ends
  double bound_mm = 0;         ///< lower bound of the length
  bool shortest = false;       ///< the length reaches the bound: proven optimal
};

/// How long to search. Same arguments, same layout, as long as `spent` answers the same.
struct Effort {
  std::uint64_t seed = 1;
  std::int64_t moves = 200000;  ///< of single pieces
  /// Share of the time budget used so far, 0 to 1; polled. Empty: only moves are limited.
  std::function<double()> spent;
  /// Called with each shorter layout as it is found; may be empty.
  std::function<void(const Layout&)> shorter;
};

/// The shortest layout that was found.
/// @retval bad_usage         a width, gap, turn or number of copies that makes no sense
/// @retval degenerate_shape  a shape that crosses itself or has no area
/// @retval does_not_fit      a piece wider than the film whichever way it may lie: by how much
Result<Layout> pack(const std::vector<Item>& items, const Strip& strip, const Effort& effort);

/// Counter-clockwise; quarter turns are exact, so that a strip filled to its edge stays so.
PointMm turned(PointMm p, double turn_deg);

/// The placed copy's outline.
PolygonMm placed_shape(const Item& item, const Placed& placed);

/// The constraints that a layout violates by more than `slack_mm`: overlaps, gaps, the film's edge,
/// numbers of copies. Computed by GEOS on the original shapes; empty when the layout is valid.
std::vector<std::string> violations(const std::vector<Item>& items, const Strip& strip,
                                    const Layout& layout, double slack_mm);

/// A roll of film at hand, or a leftover, whose price is paid already.
struct Film {
  std::string name;        ///< "B2", "shelf 3"
  std::string kind;        ///< which film it is: "carbon 35"
  double width_mm = 0;     ///< across
  double length_mm = 0;    ///< left, along the roll
  double price_per_m = 0;  ///< 0: not stated
  bool leftover = false;
};

/// A free rectangle of the strip.
struct Rectangle {
  PointMm low;
  double length_mm = 0, width_mm = 0;
};

/// A layout on one film, of the whole job or of a part of it, and what it costs.
struct Offer {
  std::size_t film = 0;      ///< index into the films given
  Layout layout;             ///< of a part of the job not all copies are there
  double cost = 0;           ///< length times price
  double waste_mm2 = 0;      ///< of the length used
  Rectangle rest;            ///< what stays on the roll or leftover behind the job
  Rectangle largest_within;  ///< the largest rectangle inside the length used, if worth keeping
};

/// A film that cannot take the job, and why in words.
struct Refused {
  std::size_t film = 0;
  std::string why;
};

struct Choice {
  /// How to cut the job, strip by strip, leftovers first; empty where all films together are not
  /// enough. Several only where that is cheaper than one, or one is not enough.
  std::vector<Offer> strips;
  std::vector<Offer> offers;     ///< each takes all by itself, best first: leftovers, the smallest
                                 ///< first, then rolls by cost; those without a price after them,
                                 ///< by the film they take
  std::vector<Refused> refused;  ///< cannot take all by themselves
};

struct Margins {
  double gap_mm = 0, edge_mm = 0;  ///< as of a Strip
  double keep_mm = 0;              ///< a rectangle whose shorter side is less is not worth keeping
};

/// Gives a search its effort. @param share  of the time that is left, 0 to 1
using Efforts = std::function<Effort(double share)>;

/// Lays the job on every film by itself, then on several where that may be cheaper.
/// @retval as pack(), except that a film too narrow or too short is refused, not an error
Result<Choice> choose(const std::vector<Item>& items, const std::vector<Film>& films,
                      const Margins& margins, const Efforts& efforts);

/// The largest axis-parallel rectangle that keeps `gap_mm` from every shape. Found on a raster of
/// `step_mm`; a cell that a shape touches is taken.
Rectangle largest_free(const std::vector<PolygonMm>& shapes, double length_mm, double width_mm,
                       double gap_mm, double step_mm);

}  // namespace panecard::layout
