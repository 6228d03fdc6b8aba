#include "trace/second_look.h"

#include <algorithm>
#include <cstddef>
#include <numeric>
#include <opencv2/core/utility.hpp>
#include <utility>

#include "trace/doubts.h"
#include "trace/polar.h"

namespace panecard::trace {
namespace {

// A coarse look is given more room than a sharp one about its result, and one that is to find what
// lies beside a way, as much as a seal is wide.
constexpr double kCoarse_mm = 6, kBeside_mm = 12;

struct Weighed {
  Settled settled;
  Around around;
  double score = 0;
};

class SecondLook {
 public:
  SecondLook(const View& view, PointMm middle) : view_(view), middle_(middle) {}

  /// What was taken, with a stretch that one of the looks saw otherwise.
  std::vector<Around> other_ways(const Around& taken, const std::vector<Around>& looked,
                                 const std::vector<Rays>& against) const {
    constexpr std::size_t kMost = 40;
    std::vector<Around> others;
    for (auto seen = looked.rbegin(); seen != looked.rend(); ++seen) {  // the last ones first
      for (const Rays& stretch : partings(taken, *seen)) {
        const auto touches = [&](const Rays& place) { return overlap(place, stretch); };
        if (std::none_of(against.begin(), against.end(), touches)) continue;
        Around way = with_stretch(taken, *seen, stretch);
        const auto same = [&](const Around& a) { return partings(way, a).empty(); };
        if (others.size() == kMost || std::any_of(others.begin(), others.end(), same)) continue;
        others.push_back(std::move(way));
      }
    }
    return others;
  }

  /// Those that are the most plausible in a coarse look.
  std::vector<Way> likeliest(std::vector<Way> ways, std::size_t most) const {
    if (ways.size() <= most) return ways;
    std::vector<double> score(ways.size());
    cv::parallel_for_({0, static_cast<int>(ways.size())}, [&](const cv::Range& range) {
      for (int i = range.start; i < range.end; ++i) {
        Materials known;
        score[i] = plausibility(
            middle_, seen_from(middle_, look(view_, ways[i].inner, Pass::wide,
                                             about_inner(ways[i].width_mm, kCoarse_mm), known)));
      }
    });
    std::vector<std::size_t> order(ways.size());
    std::iota(order.begin(), order.end(), std::size_t{0});
    std::stable_sort(order.begin(), order.end(),
                     [&](std::size_t a, std::size_t b) { return score[a] > score[b]; });
    std::vector<Way> out;
    for (std::size_t i = 0; i < most; ++i) out.push_back(std::move(ways[order[i]]));
    return out;
  }

  Weighed weighed(const Way& way) const {
    Weighed out;
    out.settled.ribbon = look(view_, way.inner, Pass::sharp, about_inner(way.width_mm, kSharp_mm),
                              out.settled.materials);
    out.around = seen_from(middle_, out.settled.ribbon);
    out.score = plausibility(middle_, out.around);
    return out;
  }

  /// What lies near a way and looks like what is known of seal and body.
  Way led(const Way& way, Materials known) const {
    const Ribbon ribbon =
        look(view_, way.inner, Pass::middle, about_inner(way.width_mm, kBeside_mm), known);
    return {inner_curve(ribbon), way.width_mm};
  }

  Weighed together(const std::vector<Weighed>& all, double width_mm) const {
    std::vector<Around> around;
    around.reserve(all.size());
    for (const Weighed& w : all) around.push_back(w.around);
    return weighed({inner_curve(middle_, splice(middle_, around)), width_mm});
  }

 private:
  const View& view_;
  PointMm middle_;
};

}  // namespace

Reconsidered reconsider(const View& view, PointMm middle, const Settled& settled,
                        const std::vector<Rays>& against, const std::vector<Around>& looked,
                        const Way& other) {
  constexpr std::size_t kMost = 4;  // a sharp look takes four times as long as a coarse one
  const SecondLook second(view, middle);
  const Around taken = seen_from(middle, settled.ribbon);
  const double width_mm = median(settled.ribbon.width_mm);
  std::vector<Way> past;
  for (const Around& way : second.other_ways(taken, looked, against)) {
    past.push_back({inner_curve(middle, way), width_mm});
  }
  for (PolygonMm& way : straight_on(middle, taken, against)) {
    past.push_back({std::move(way), width_mm});
  }
  std::vector<Way> ways{{inner_curve(middle, taken), width_mm}, other};
  for (Way& way : second.likeliest(std::move(past), kMost)) ways.push_back(std::move(way));

  // What was taken once, every other way as it is and led by what is known.
  const std::size_t count = ways.size();
  std::vector<Weighed> all(2 * count - 1);
  cv::parallel_for_({0, static_cast<int>(all.size())}, [&](const cv::Range& range) {
    for (std::size_t i = range.start; i < static_cast<std::size_t>(range.end); ++i) {
      all[i] =
          second.weighed(i < count ? ways[i] : second.led(ways[i - count + 1], settled.materials));
    }
  });
  all.push_back(second.together(all, width_mm));

  const auto less = [](const Weighed& a, const Weighed& b) { return a.score < b.score; };
  const Weighed& best = *std::max_element(all.begin(), all.end(), less);
  const Weighed* next = nullptr;
  for (const Weighed& w : all) {
    if (next != nullptr && w.score <= next->score) continue;
    if (!partings(best.around, w.around).empty()) next = &w;
  }
  Reconsidered out{best.settled, best.score, all.front().score, {}};
  if (next != nullptr) out.runner_up = next->settled;
  return out;
}

}  // namespace panecard::trace
