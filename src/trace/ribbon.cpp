#include "trace/ribbon.h"

#include <algorithm>
#include <cmath>
#include <opencv2/core/utility.hpp>
#include <tuple>
#include <utility>

#include "trace/doubts.h"
#include "trace/evidence.h"
#include "trace/material.h"
#include "trace/pairs.h"
#include "trace/polar.h"
#include "trace/rivals.h"
#include "trace/splice.h"

namespace panecard::trace {
namespace {

struct Pass {
  double row_mm, half_mm, step_mm, sigma_mm;
  float cap;
  double smooth_mm;
  Steps steps;
};

// Coarse and wide first, then about the seal's outer edge, then sharp about the glass edge: the
// straighter the edges lie in the strip, the sharper they may be looked at. Each strip holds the
// widest seal, whichever of its edges is in the middle, and the body beyond it.
constexpr Pass kPasses[] = {{4, 36, 0.5, 0.6, 4, 6, {4, 0.075F, 0.2F}},
                            {2, 34, 0.5, 0.5, 5, 5, {2, 0.3F, 0.9F}},
                            {2, 36, 0.25, 0.3, 6, 4, {1, 0.3F, 0.9F}}};

// Where each row's normal passes the user's rough points, NaN where there is none close by.
std::vector<double> near_offsets(const Strip& strip, const PolygonMm& near) {
  if (near.empty()) return {};
  constexpr double kReach_mm = 15;
  std::vector<double> out(strip.curve.size(), std::nan(""));
  for (std::size_t i = 0; i < strip.curve.size(); ++i) {
    double closest = kReach_mm;
    for (const PointMm& p : near) {
      const PointMm v = p - strip.curve[i];
      const double aside = std::abs(cross(strip.normals[i], v));
      if (aside < closest) {
        closest = aside;
        out[i] = dot(strip.normals[i], v);
      }
    }
  }
  return out;
}

PolygonMm shifted(const Ribbon& ribbon, bool outer) {
  PolygonMm out = ribbon.curve;
  for (std::size_t i = 0; i < out.size(); ++i) {
    const double offset = ribbon.inner_mm[i] + (outer ? ribbon.width_mm[i] : 0);
    out[i] = out[i] + offset * ribbon.normals[i];
  }
  return out;
}

Materials learn(const Evidence& e, const PairPath& path) {
  std::vector<int> outer(path.cell.size());
  for (std::size_t i = 0; i < outer.size(); ++i) outer[i] = path.cell[i] + path.width[i];
  return learn_materials(e.tone, path.cell, outer);
}

// A strip along a curve and what it shows.
struct Sighted {
  Strip strip;
  Evidence evidence;
};

Sighted look_along(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
                   const PolygonMm& curve, const Pass& pass) {
  Strip strip = unwrap(photo, sight, cards,
                       resample(smooth_closed(resample(curve, 1.0), pass.smooth_mm), pass.row_mm),
                       pass.half_mm, pass.step_mm);
  Evidence e = evidence_of(strip, pass.row_mm, pass.sigma_mm, pass.cap);
  return {std::move(strip), std::move(e)};
}

// Where nothing is known of seal and body, the path is found again with what it teaches of them.
// `materials`: what is known before, empty for nothing; what is known after.
Ribbon ribbon_in(const Sighted& sighted, const PolygonMm& near, const Pass& pass, Belief belief,
                 Materials& materials) {
  const Strip& strip = sighted.strip;
  Evidence e = sighted.evidence;
  belief.near_mm = near_offsets(strip, near);
  if (materials.seal.empty()) materials = learn(e, best_path(e, belief, pass.steps));
  if (!materials.seal.empty()) e.like = likeness(e.tone, materials);
  const PairPath path = best_path(e, belief, pass.steps);
  materials = learn(e, path);
  Ribbon ribbon;
  ribbon.score = path.score;
  for (std::size_t k = 0; k < strip.curve.size(); ++k) {
    ribbon.inner_mm.push_back(e.first_mm + path.cell[k]);
    ribbon.width_mm.push_back(path.width[k]);
    ribbon.sure.push_back(path.sure[k]);
    const auto seen = [&](int cell) {  // an edge of twice the usual change: log(1 + 1)
      return e.across.at<float>(static_cast<int>(k), cell) > 0.7F;
    };
    ribbon.inner_seen.push_back(seen(path.cell[k]));
    ribbon.outer_seen.push_back(seen(path.cell[k] + path.width[k]));
  }
  weigh_rivals(path, pass.row_mm, ribbon);
  ribbon.curve = strip.curve;
  ribbon.normals = strip.normals;
  return ribbon;
}

Ribbon with_better_rivals(Ribbon ribbon) {
  for (std::size_t i = 0; i < ribbon.inner_mm.size(); ++i) {
    if (ribbon.rival_probability[i] == 0 || ribbon.rival_behind[i] > 0) continue;
    ribbon.inner_mm[i] += ribbon.rival_mm[i];
    ribbon.sure[i] -= ribbon.rival_behind[i];
  }
  return ribbon;
}

bool alike(const PolygonMm& a, const PolygonMm& b) {
  constexpr double kSame_mm = 6;
  double most = 0;
  for (std::size_t i = 0; i < a.size(); ++i) most = std::max(most, distance(a[i], b[i]));
  return most <= kSame_mm;
}

// What a ring is thought to run along.
enum class RingIs { either_edge, glass_edge };

Belief belief_of(RingIs ring) {
  Belief belief;
  if (ring == RingIs::glass_edge) {
    belief.outer_from_mm = belief.outer_likely_from_mm = kMinWidth;
    belief.outer_to_mm = belief.outer_likely_to_mm = kMaxWidth;
    return belief;
  }
  belief.outer_from_mm = -20;
  belief.outer_likely_from_mm = -4;
  belief.outer_likely_to_mm = 10;
  belief.outer_to_mm = kMaxWidth;  // the ring may have settled on the glass edge itself
  return belief;
}

// 0: any width.
Belief about_outer(double width_mm) {
  Belief belief;
  belief.width_mm = width_mm;
  belief.outer_from_mm = -6;
  belief.outer_to_mm = 6;
  return belief;
}

Belief about_inner(double width_mm) {
  Belief belief;
  belief.width_mm = width_mm;
  belief.inner_within_mm = 4;
  return belief;
}

// Everything that was tried about one photo, and what comes of it.
class Search {
 public:
  Search(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
         const PolygonMm& near)
      : photo_(photo), sight_(sight), cards_(cards), near_(near), middle_(middle_of(cards)) {}

  /// Wide looks about those of the rings that no look was about yet, each time as all of `as`.
  /// @param known  what seal and body look like, if that is known
  void look_about(const std::vector<PolygonMm>& rings, const std::vector<RingIs>& as,
                  const Materials& known = {}) {
    std::vector<const PolygonMm*> starts;
    for (const PolygonMm& ring : rings) {
      const auto same = [&](const PolygonMm* other) { return alike(ring, *other); };
      const auto looked = [&](const Look& l) {
        return l.ring_is == as.front() && alike(ring, l.ring);
      };
      if (std::any_of(starts.begin(), starts.end(), same)) continue;
      if (std::any_of(looks_.begin(), looks_.end(), looked)) continue;
      starts.push_back(&ring);
    }
    const std::size_t first = looks_.size();
    looks_.resize(first + starts.size() * as.size());
    cv::parallel_for_({0, static_cast<int>(starts.size())}, [&](const cv::Range& range) {
      for (int i = range.start; i < range.end; ++i) {
        const Sighted sighted = look_along(photo_, sight_, cards_, *starts[i], kPasses[0]);
        for (std::size_t k = 0; k < as.size(); ++k) {
          Look& to = looks_[first + i * as.size() + k];
          to.ring = *starts[i];
          to.ring_is = as[k];
          to.materials = known;
          to.ribbon = ribbon_in(sighted, near_, kPasses[0], belief_of(to.ring_is), to.materials);
          to.around = seen_from(middle_, to.ribbon);
        }
      }
    });
  }

  /// Whether the surest look has less than half of two clear edges all the way round, or of the
  /// glass edge nothing most of the way: the one edge that is clear may be that.
  bool faint() const {
    constexpr double kClear = 4;
    const Ribbon& ribbon = surest().ribbon;
    const auto seen = std::count(ribbon.inner_seen.begin(), ribbon.inner_seen.end(), true);
    return ribbon.score < kClear ||
           2 * seen < static_cast<std::ptrdiff_t>(ribbon.inner_seen.size());
  }

  struct Settled {
    Ribbon ribbon;
    Materials materials;
  };
  /// The best of all looks, stretch by stretch, looked at more and more sharply.
  Settled settle() const {
    const Around best = splice(middle_, looked());
    Materials known = surest().materials;
    const Ribbon second = look(kPasses[1], outer_curve(middle_, best),
                               about_outer(median(surest().ribbon.width_mm)), known);
    const Belief belief = about_inner(median(second.width_mm));
    const Pass& sharp = kPasses[2];
    Ribbon third = look(sharp, inner_curve(second), belief, known);

    // What was believed from pass to pass may have kept out the better of two edges.
    const Around taken = seen_from(middle_, third);
    const Around better = splice(middle_, {taken, seen_from(middle_, with_better_rivals(third))});
    if (better.inner_mm != taken.inner_mm) {
      third = look(sharp, inner_curve(middle_, better), belief, known);
    }
    return {std::move(third), std::move(known)};
  }

  /// What was settled on where it is spoken against: every other way past there that was seen,
  /// straight on, and all the way round with a seal of any width; each looked at as sharply and
  /// with as little known beforehand. What they make together, and how much more plausible it is.
  std::pair<Settled, double> reconsider(const Settled& settled,
                                        const std::vector<Rays>& against) const {
    const Around taken = seen_from(middle_, settled.ribbon);
    const double width_mm = median(settled.ribbon.width_mm);
    std::vector<Way> ways{{inner_curve(middle_, taken), width_mm}, any_width()};
    for (const Around& other : other_ways(taken, against)) {
      ways.push_back({inner_curve(middle_, other), width_mm});
    }
    for (PolygonMm& way : straight_on(middle_, taken, against)) {
      ways.push_back({std::move(way), width_mm});
    }
    std::vector<Settled> seen(ways.size());
    cv::parallel_for_({0, static_cast<int>(ways.size())}, [&](const cv::Range& range) {
      for (int i = range.start; i < range.end; ++i) seen[i] = sharply(ways[i]);
    });
    std::vector<Around> around;
    around.reserve(seen.size());
    for (const Settled& s : seen) around.push_back(seen_from(middle_, s.ribbon));
    const Around best = splice(middle_, around);
    Settled again = sharply({inner_curve(middle_, best), width_mm});
    const double gain = plausibility(middle_, seen_from(middle_, again.ribbon)) -
                        plausibility(middle_, around.front());
    return {std::move(again), gain};
  }

 private:
  struct Look {
    PolygonMm ring;
    RingIs ring_is;
    Ribbon ribbon;
    Materials materials;
    Around around;
  };
  struct Way {
    PolygonMm inner;
    double width_mm;
  };

  Ribbon look(const Pass& pass, const PolygonMm& curve, const Belief& belief,
              Materials& known) const {
    return ribbon_in(look_along(photo_, sight_, cards_, curve, pass), near_, pass, belief, known);
  }

  Settled sharply(const Way& way) const {
    Settled out;
    out.ribbon = look(kPasses[2], way.inner, about_inner(way.width_mm), out.materials);
    return out;
  }

  std::vector<Around> looked() const {
    std::vector<Around> out;
    out.reserve(looks_.size());
    for (const Look& l : looks_) out.push_back(l.around);
    return out;
  }

  /// A wide look may see a highlight on the seal as one of its edges, and believe its width.
  Way any_width() const {
    Materials known = surest().materials;
    const Ribbon ribbon =
        look(kPasses[1], outer_curve(middle_, splice(middle_, looked())), about_outer(0), known);
    return {inner_curve(ribbon), median(ribbon.width_mm)};
  }

  /// What was taken, with a stretch that one of the looks saw otherwise; the likeliest first.
  std::vector<Around> other_ways(const Around& taken, const std::vector<Rays>& against) const {
    constexpr std::size_t kMost = 6;
    struct Other {
      Around around;
      double sure;
    };
    std::vector<Other> others;
    for (const Look& look : looks_) {
      for (const Rays& stretch : partings(taken, look.around)) {
        const auto touches = [&](const Rays& place) { return overlap(place, stretch); };
        if (std::none_of(against.begin(), against.end(), touches)) continue;
        Around way = with_stretch(taken, look.around, stretch);
        const auto same = [&](const Other& o) { return partings(way, o.around).empty(); };
        if (std::any_of(others.begin(), others.end(), same)) continue;
        double sure = 0;
        for (int k = 0; k < stretch.count; ++k) {
          sure += look.around.sure[wrapped(stretch.first + k, kRays)] / stretch.count;
        }
        others.push_back({std::move(way), sure});
      }
    }
    std::stable_sort(others.begin(), others.end(),
                     [](const Other& a, const Other& b) { return a.sure > b.sure; });
    std::vector<Around> out;
    for (Other& other : others) {
      if (out.size() < kMost) out.push_back(std::move(other.around));
    }
    return out;
  }

  const Look& surest() const {
    return *std::max_element(looks_.begin(), looks_.end(), [](const Look& a, const Look& b) {
      return a.ribbon.score < b.ribbon.score;
    });
  }

  const Pyramid& photo_;
  const Sight& sight_;
  const std::vector<PolygonMm>& cards_;
  const PolygonMm& near_;
  PointMm middle_;
  std::vector<Look> looks_;
};

}  // namespace

PolygonMm inner_curve(const Ribbon& ribbon) { return shifted(ribbon, false); }
PolygonMm outer_curve(const Ribbon& ribbon) { return shifted(ribbon, true); }

Ribbon find_ribbon(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
                   const Rings& rings, const PolygonMm& near) {
  Search search(photo, sight, cards, near);
  search.look_about(rings.curves(), {RingIs::either_edge});
  if (search.faint()) search.look_about(rings.curves(), {RingIs::glass_edge});
  Search::Settled best = search.settle();

  // A stretch that strayed may be put right in two steps: off a body crease, then off a pillar.
  constexpr int kMostRounds = 3;
  constexpr double kWorthAnother = 0.25;  // a sixteenth of a clear edge all the way round
  const PointMm middle = middle_of(cards);
  for (int round = 0; round < kMostRounds; ++round) {
    const Around taken = seen_from(middle, best.ribbon);
    const std::vector<Rays> against = spoken_against(middle, best.ribbon);
    if (against.empty()) break;
    auto [again, gain] = search.reconsider(best, against);
    if (gain < kWorthAnother) {
      search.look_about(rings.other_ways(taken.inner_mm, taken.outer_mm, parts_in_doubt(against)),
                        {RingIs::either_edge, RingIs::glass_edge}, best.materials);
      std::tie(again, gain) = search.reconsider(best, against);
    }
    if (gain > 0) best = std::move(again);
    if (gain < kWorthAnother) break;
  }
  judge_whole_stretches(kPasses[2].row_mm, best.ribbon);
  return std::move(best.ribbon);
}

Ribbon find_ribbon_along(const Pyramid& photo, const Sight& sight,
                         const std::vector<PolygonMm>& cards, const PolygonMm& glass_edge,
                         double within_mm, double width_mm, const PolygonMm& near) {
  Belief belief = about_inner(width_mm);
  belief.inner_within_mm = within_mm;
  const Pass& sharp = kPasses[2];
  Materials learnt;
  Ribbon ribbon =
      ribbon_in(look_along(photo, sight, cards, glass_edge, sharp), near, sharp, belief, learnt);
  judge_whole_stretches(sharp.row_mm, ribbon);
  return ribbon;
}

}  // namespace panecard::trace
