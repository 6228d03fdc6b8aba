#include "trace/ribbon.h"

#include <algorithm>
#include <cmath>
#include <opencv2/core/utility.hpp>
#include <utility>

#include "trace/doubts.h"
#include "trace/look.h"
#include "trace/material.h"
#include "trace/pairs.h"
#include "trace/polar.h"
#include "trace/rival_looks.h"
#include "trace/rivals.h"
#include "trace/second_look.h"
#include "trace/splice.h"

namespace panecard::trace {
namespace {

PolygonMm shifted(const Ribbon& ribbon, bool outer) {
  PolygonMm out = ribbon.curve;
  for (std::size_t i = 0; i < out.size(); ++i) {
    const double offset = ribbon.inner_mm[i] + (outer ? ribbon.width_mm[i] : 0);
    out[i] = out[i] + offset * ribbon.normals[i];
  }
  return out;
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

// What was believed from pass to pass may have kept out the better of two edges.
Settled with_better_rivals_taken(const View& view, PointMm middle, Settled settled,
                                 const Belief& belief) {
  const Around taken = seen_from(middle, settled.ribbon);
  const Around better =
      splice(middle, {taken, seen_from(middle, with_better_rivals(settled.ribbon))});
  if (better.inner_mm != taken.inner_mm) {
    settled.ribbon =
        look(view, inner_curve(middle, better), Pass::sharp, belief, settled.materials);
  }
  return settled;
}

// Everything that was tried about one photo, and what comes of it.
class Search {
 public:
  explicit Search(const View& view) : view_(view), middle_(middle_of(view.cards)) {}

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
        const Sighted sighted = look_along(view_, *starts[i], Pass::wide);
        for (std::size_t k = 0; k < as.size(); ++k) {
          Look& to = looks_[first + i * as.size() + k];
          to.ring = *starts[i];
          to.ring_is = as[k];
          to.materials = known;
          to.ribbon =
              ribbon_in(sighted, view_.near, Pass::wide, belief_of(to.ring_is), to.materials);
          to.around = seen_from(middle_, to.ribbon);
        }
      }
    });
  }

  double best_score() const { return surest().ribbon.score; }

  /// The best of all looks, stretch by stretch, looked at more and more sharply.
  Settled settle() const {
    const Around best = splice(middle_, looked());
    Materials known = surest().materials;
    const Ribbon second = look(view_, outer_curve(middle_, best), Pass::middle,
                               about_outer(median(surest().ribbon.width_mm)), known);
    const Belief belief = about_inner(median(second.width_mm), kSharp_mm);
    Settled third{look(view_, inner_curve(second), Pass::sharp, belief, known), {}};
    third.materials = std::move(known);
    return with_better_rivals_taken(view_, middle_, std::move(third), belief);
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
    const Ribbon ribbon = look(view_, outer_curve(middle_, splice(middle_, looked())), Pass::middle,
                               about_outer(0), known);
    return {inner_curve(ribbon), median(ribbon.width_mm)};
  }

 private:
  struct Look {
    PolygonMm ring;
    RingIs ring_is;
    Ribbon ribbon;
    Materials materials;
    Around around;
  };
  const Look& surest() const {
    return *std::max_element(looks_.begin(), looks_.end(), [](const Look& a, const Look& b) {
      return a.ribbon.score < b.ribbon.score;
    });
  }

  const View& view_;
  PointMm middle_;
  std::vector<Look> looks_;
};

}  // namespace

PolygonMm inner_curve(const Ribbon& ribbon) { return shifted(ribbon, false); }
PolygonMm outer_curve(const Ribbon& ribbon) { return shifted(ribbon, true); }

Ribbon find_ribbon(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
                   const Rings& rings, const PolygonMm& near) {
  const View view{photo, sight, cards, near};
  Search search(view);
  search.look_about(rings.curves(), {RingIs::either_edge});
  constexpr double kClear = 4;  // half of two clear edges all the way round
  if (search.best_score() < kClear) search.look_about(rings.curves(), {RingIs::glass_edge});
  Settled best = search.settle();

  // A stretch that strayed may be put right in several steps: off a body crease, then off a pillar.
  constexpr int kMostRounds = 5;
  constexpr double kWorthAnother = 0.25;  // a sixteenth of a clear edge all the way round
  const PointMm middle = middle_of(cards);
  std::vector<Rays> against = spoken_against(middle, best.ribbon);
  for (int round = 0; round < kMostRounds && !against.empty(); ++round) {
    Way any_width = search.any_width();
    const auto again_from = [&](const Settled& from, const std::vector<Rays>& places) {
      return reconsider(view, middle, from, places, search.looked(), any_width);
    };
    Reconsidered again = again_from(best, against);
    const double before = again.before;
    const auto take_if_better = [&](Reconsidered other) {
      if (other.score > again.score) again = std::move(other);
    };
    if (again.score - before < kWorthAnother) {
      const Around taken = seen_from(middle, best.ribbon);
      search.look_about(rings.other_ways(taken.inner_mm, taken.outer_mm, parts_in_doubt(against)),
                        {RingIs::either_edge, RingIs::glass_edge}, best.materials);
      any_width = search.any_width();
      take_if_better(again_from(best, against));
    }
    if (again.score - before < kWorthAnother && again.runner_up) {
      // What is best so far may lead no further, and the next best past it.
      const Settled next = *again.runner_up;
      take_if_better(again_from(next, spoken_against(middle, next.ribbon)));
    }
    if (again.score <= before) break;
    const Belief belief = about_inner(median(again.best.ribbon.width_mm), kSharp_mm);
    best = with_better_rivals_taken(view, middle, std::move(again.best), belief);
    if (again.score - before < kWorthAnother) break;
    against = spoken_against(middle, best.ribbon);
  }
  return with_rivals_looked_at(view, middle, std::move(best)).ribbon;
}

Ribbon find_ribbon_along(const Pyramid& photo, const Sight& sight,
                         const std::vector<PolygonMm>& cards, const PolygonMm& glass_edge,
                         double within_mm, double width_mm, const PolygonMm& near) {
  Materials learnt;
  Ribbon ribbon = look({photo, sight, cards, near}, glass_edge, Pass::sharp,
                       about_inner(width_mm, within_mm), learnt);
  judge_whole_stretches(row_mm(Pass::sharp), ribbon);
  return ribbon;
}

}  // namespace panecard::trace
