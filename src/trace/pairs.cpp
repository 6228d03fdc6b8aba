#include "trace/pairs.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <opencv2/core/hal/intrin.hpp>
#include <utility>

namespace panecard::trace {
namespace {

// Weights of the pieces of evidence; each is a log-likelihood ratio of an edge or of its absence,
// and less than 1 because neighbours that repeat the same news should not count twice.
// Glass has no edges that run along its rim; a seal has its lip, and body its trim.
constexpr float kEdgeWithinSeal = 0.7F, kEdgeBeyondBody = 0.7F, kEdgeWithinGlass = 1.0F;
constexpr float kChangeAlongSeal = 1.0F, kChangeAlongBody = 0.5F, kChangeAlongGlass = 0.5F;

// What colour says: the seal is one material all round and the body another, the glass neither.
constexpr float kSealAlike = 2.0F, kBodyAlike = 2.5F;

constexpr int kInside = 6, kOutside = 9;  // cells looked at before and beyond a pair

// Sums along a path are 16 bits wide, in 64ths, counted from the best of their row: eight at once.
// What is 300 behind is out of the race: a path moves from any pair to any other for less.
constexpr int kUnit = 64;
constexpr short kLeastEvidence = -8000, kFloor = -20000;
constexpr int kLanes = cv::v_int16x8::nlanes;
using Lanes = cv::v_int16x8;

short units(float evidence) {
  return static_cast<short>(std::clamp(std::lround(kUnit * evidence), -8000L, 8000L));
}

// Where a pair is found in a row of all: by width, then cell, with room on either side of each
// width's cells and a width's room before and after all, so that no step leads astray.
struct Places {
  int cells, stride, size;
  explicit Places(int cells_)
      : cells(cells_),
        stride((cells + kLanes - 1) / kLanes * kLanes + kLanes),
        size((kWidths + 2) * stride + kLanes) {}

  int first(int width) const { return (width - kMinWidth + 1) * stride + kLanes; }
  // No path leads through the room, as far as evidence is bounded; no place is outside even then.
  int cell(int place) const { return std::clamp(place % stride - kLanes, 0, cells - 1); }
  int width(int place) const { return place / stride - 1 + kMinWidth; }
  int begin() const { return stride; }
  int end() const { return (kWidths + 1) * stride; }
};

void running_sum(const float* values, int count, std::vector<float>& sum) {
  sum.resize(count + 1);
  sum[0] = 0;
  for (int c = 0; c < count; ++c) sum[c + 1] = sum[c] + values[c];
}

// The evidence of one row's pairs, as the sum of what each of the two edges and each width adds.
class Row {
 public:
  explicit Row(const Places& places)
      : places_(places),
        inner_(places.cells),
        outer_(places.cells),
        most_(places.cells),
        alike_(places.cells),
        pair_(places.stride - kLanes, kNoPair) {}

  void look(const Evidence& e, const Belief& belief, int row, short* out) {
    edge_ = e.across.ptr<float>(row);
    running_sum(e.along.ptr<float>(row), places_.cells, change_);
    const bool known = !e.like.seal.empty();
    if (known) learn_likeness(e.like.seal.ptr<float>(row), e.like.body.ptr<float>(row));
    look_inside(known);
    look_beyond(known);
    believe(e, belief, row);
    std::fill(out, out + places_.size, kLeastEvidence);
    std::fill(most_.begin(), most_.end(), 0.0F);
    for (int c = kInside; c + kMinWidth - 3 < places_.cells; ++c) {
      most_[c] = *std::max_element(edge_ + c + 2, edge_ + c + kMinWidth - 1);
    }
    for (int width = kMinWidth; width <= kMaxWidth; ++width) {
      const double z = belief.width_mm > 0 ? (width - belief.width_mm) / 1.5 : 0;
      pairs_of(width, static_cast<float>(0.5 * std::min(z * z, 9.0)), known,
               out + places_.first(width));
    }
  }

 private:
  static constexpr float kNoPair = -1e6F;

  void learn_likeness(const float* seal, const float* body) {
    for (int c = 0; c < places_.cells; ++c) {
      alike_[c] = kSealAlike * seal[c] - kBodyAlike * body[c];
    }
    running_sum(alike_.data(), places_.cells, seal_less_body_);
    for (int c = 0; c < places_.cells; ++c) {
      alike_[c] = kSealAlike * seal[c] + kBodyAlike * body[c];
    }
    running_sum(alike_.data(), places_.cells, either_);
    for (int c = 0; c < places_.cells; ++c) alike_[c] = body[c] - seal[c];
    running_sum(alike_.data(), places_.cells, plain_);
  }

  // The glass edge, what lies within it taken off.
  void look_inside(bool known) {
    constexpr int kCells = kInside - 1;
    for (int c = kInside; c < places_.cells; ++c) {
      float within = 0;
      for (int k = 0; k < kCells; ++k) within = std::max(within, edge_[c - kInside + k]);
      const float change = change_[c - 1] - change_[c - kInside];
      inner_[c] = edge_[c] - kEdgeWithinGlass * within + kChangeAlongGlass / kCells * change;
    }
    if (!known) return;
    for (int c = kInside; c < places_.cells; ++c) {
      inner_[c] -= (either_[c - 1] - either_[c - kInside]) / kCells;
    }
  }

  // The seal's outer edge, what lies beyond it taken off.
  void look_beyond(bool known) {
    constexpr int kFrom = 2, kTo = 8, kCells = kTo - kFrom;
    clearest_beyond(known);
    const int last = places_.cells - kOutside;
    for (int c = 0; c < last; ++c) {
      outer_[c] = edge_[c] - kEdgeBeyondBody * most_[c] -
                  kChangeAlongBody / kCells * (change_[c + kTo] - change_[c + kFrom]);
    }
    if (!known) return;
    for (int c = 0; c < last; ++c) {
      outer_[c] -= (seal_less_body_[c + kTo] - seal_less_body_[c + kFrom]) / kCells;
    }
  }

  // The clearest edge within 15 mm beyond. Trim and seams are edges of the body: they speak
  // against this one only as far as what lies between is not plainly body.
  void clearest_beyond(bool known) {
    std::fill(most_.begin(), most_.end(), 0.0F);
    for (int d = 3; d < 15; ++d) {
      const int last = places_.cells - d;
      const float per_cell = 1.0F / static_cast<float>(d - 2);
      if (!known) {
        for (int c = 0; c < last; ++c) most_[c] = std::max(most_[c], edge_[c + d]);
        continue;
      }
      for (int c = 0; c < last; ++c) {
        const float plain = std::max(0.0F, (plain_[c + d - 1] - plain_[c + 1]) * per_cell);
        most_[c] = std::max(most_[c], edge_[c + d] * (1 - plain));
      }
    }
  }

  void believe(const Evidence& e, const Belief& belief, int row) {
    for (int c = 0; c < places_.cells; ++c) {
      const double mm = e.first_mm + c;
      if (mm < belief.outer_from_mm || mm > belief.outer_to_mm) outer_[c] -= 4;
      if (mm > belief.outer_likely_to_mm) outer_[c] -= 2;
      if (mm < belief.outer_likely_from_mm) outer_[c] -= 1;
      if (std::abs(mm) > belief.inner_within_mm) inner_[c] -= 4;
    }
    if (belief.near_mm.empty() || std::isnan(belief.near_mm[row])) return;
    for (int c = 0; c < places_.cells; ++c) {
      const double off = std::abs(e.first_mm + c - belief.near_mm[row]);
      inner_[c] -= static_cast<float>(2 * std::clamp(off - 3, 0.0, 5.0));
    }
  }

  // The two edges, and what lies between them. `most_`: the clearest edge well between.
  void pairs_of(int width, float odd, bool known, short* out) {
    const int last = places_.cells - kOutside - width;
    const int plain = std::max(width - 3, 1);
    const float per_plain = kChangeAlongSeal / static_cast<float>(plain);
    const float per_seal = 1.0F / static_cast<float>(width - 1);
    for (int c = kInside; width > kMinWidth && c < last; ++c) {
      most_[c] = std::max(most_[c], edge_[c + width - 2]);
    }
    for (int c = kInside; c < last; ++c) {
      pair_[c] = inner_[c] + outer_[c + width] - kEdgeWithinSeal * most_[c] -
                 per_plain * (change_[c + 2 + plain] - change_[c + 2]) - odd;
    }
    if (known) {
      for (int c = kInside; c < last; ++c) {
        pair_[c] += per_seal * (seal_less_body_[c + width] - seal_less_body_[c + 1]);
      }
    }
    std::fill(pair_.begin() + last, pair_.end(), kNoPair);
    const cv::v_float32x4 unit = cv::v_setall_f32(kUnit);
    const Lanes least = cv::v_setall_s16(kLeastEvidence), most = cv::v_setall_s16(-kLeastEvidence);
    for (int c = 0; c < places_.stride - kLanes; c += kLanes) {
      const float* pair = pair_.data() + c;
      const Lanes units = cv::v_pack(cv::v_round(cv::v_load(pair) * unit),
                                     cv::v_round(cv::v_load(pair + kLanes / 2) * unit));
      cv::v_store(out + c, cv::v_max(least, cv::v_min(most, units)));
    }
  }

  const Places& places_;
  const float* edge_ = nullptr;
  std::vector<float> change_, seal_less_body_, either_, plain_;  // running sums
  std::vector<float> inner_, outer_, most_, alike_, pair_;
};

// One row on, from sums `from`, the best of which is `best`, to sums `to`; the best of those comes
// back. The penalties of moving and of changing width add up, so the best move is found one
// direction at a time.
class Walk {
 public:
  Walk(const Places& places, const Steps& steps)
      : places_(places),
        max_step_(steps.max_step),
        step_(units(steps.step_cost)),
        width_(units(steps.width_cost)),
        moved_(places.size, kFloor) {}

  short on(const short* from, short best, const short* sure, short* to) {
    for (int p = places_.begin(); p < places_.end(); p += kLanes) {
      Lanes most = cv::v_load(from + p);
      for (int k = 1; k <= max_step_; ++k) {
        const Lanes cost = cv::v_setall_s16(static_cast<short>(k * step_));
        const Lanes either = cv::v_max(cv::v_load(from + p - k), cv::v_load(from + p + k));
        most = cv::v_max(most, either - cost);
      }
      cv::v_store(moved_.data() + p, most);
    }
    const Lanes cost = cv::v_setall_s16(width_), floor = cv::v_setall_s16(kFloor),
                down = cv::v_setall_s16(best);
    Lanes highest = floor;
    const short* here = moved_.data();
    for (int p = places_.begin(); p < places_.end(); p += kLanes) {
      const Lanes aside =
          cv::v_max(cv::v_load(here + p - places_.stride), cv::v_load(here + p + places_.stride));
      const Lanes most = cv::v_max(cv::v_load(here + p), aside - cost) - down;
      const Lanes sum = cv::v_max(most, floor) + cv::v_load(sure + p);
      highest = cv::v_max(highest, sum);
      cv::v_store(to + p, sum);
    }
    std::array<short, kLanes> each{};
    cv::v_store(each.data(), highest);
    return *std::max_element(each.begin(), each.end());
  }

  /// The place in a row of sums from where one gets best to `place`, and what is left then.
  std::pair<int, int> before(const short* from, int place) const {
    std::pair<int, int> best{place, std::numeric_limits<int>::min()};
    for (const int aside : {0, -places_.stride, places_.stride}) {
      for (int j = 0; j <= 2 * max_step_; ++j) {
        const int k = (j + 1) / 2 * (j % 2 == 0 ? 1 : -1);  // straight on first: 0, -1, 1, -2, 2
        const int at = place + aside + k;
        const int left = from[at] - std::abs(k) * step_ - (aside == 0 ? 0 : width_);
        if (left > best.second) best = {at, left};
      }
    }
    return best;
  }

 private:
  const Places& places_;
  int max_step_;
  short step_, width_;
  std::vector<short> moved_;
};

// One end of a closed path that was opened: sums up to every pair of one lap after the other.
struct End {
  cv::Mat sums;      // CV_16S, a row per lap, the first walked first
  double risen = 0;  // what was taken off the last row's sums along the way
  const short* last() const { return sums.ptr<short>(sums.rows - 1); }

  End(int laps, const Places& places) : sums(laps, places.size, CV_16S) {}

  void walk(const cv::Mat& sure, const Places& places, const Steps& steps, int first_lap, int way) {
    Walk walk(places, steps);
    const std::vector<short> start(places.size, 0);
    const short* from = start.data();
    short best = 0;
    for (int i = 0; i < sums.rows; ++i) {
      auto* to = sums.ptr<short>(i);
      // The room around the pairs, where no sum is written.
      std::fill(to, to + places.begin(), kFloor);
      std::fill(to + places.end(), to + places.size, kFloor);
      risen += best;
      best = walk.on(from, best, sure.ptr<short>((first_lap + way * i) % sure.rows), to);
      from = to;
    }
  }
};

// The best places of laps that follow each other, rows of `sure` again and again. The path is found
// from both ends at once, a core each: a step costs the same either way, so that what is best up to
// the middle and what is best from there on add up to what one walk from end to end gives.
std::vector<int> best_places(const cv::Mat& sure, const Places& places, const Steps& steps,
                             int laps, double& score) {
  const int middle = laps / 2;
  std::array<End, 2> ends{End(middle, places), End(laps - middle, places)};
  cv::parallel_for_({0, 2}, [&](const cv::Range& range) {
    for (int half = range.start; half < range.end; ++half) {
      ends[half].walk(sure, places, steps, half == 0 ? 0 : laps - 1, half == 0 ? 1 : -1);
    }
  });
  const Walk walk(places, steps);
  int most = std::numeric_limits<int>::min(), met = places.first(kMinWidth), from = met;
  for (int width = kMinWidth; width <= kMaxWidth; ++width) {
    for (int p = places.first(width); p < places.first(width) + places.cells; ++p) {
      const auto [before, left] = walk.before(ends[0].last(), p);
      if (left + ends[1].last()[p] <= most) continue;
      most = left + ends[1].last()[p];
      met = p, from = before;
    }
  }
  score = (ends[0].risen + ends[1].risen + most) / kUnit / laps;
  std::vector<int> path(laps);
  path[middle] = met;
  path[middle - 1] = from;
  for (int i = middle - 1; i > 0; --i) {
    path[i - 1] = walk.before(ends[0].sums.ptr<short>(i - 1), path[i]).first;
  }
  for (int i = laps - middle - 1; i > 0; --i) {
    const int lap = laps - 1 - i;
    path[lap + 1] = walk.before(ends[1].sums.ptr<short>(i - 1), path[lap]).first;
  }
  return path;
}

// Nearer than this, another edge is the same one or its lip.
constexpr int kRivalFrom = 5;

void find_rivals(const Evidence& e, const Belief& belief, const Places& places, const cv::Mat& sure,
                 PairPath& path) {
  path.rival.resize(sure.rows);
  path.rival_sure.resize(sure.rows);
  std::vector<short> most(places.cells), believed(places.cells);
  for (int c = 0; c < places.cells; ++c) {
    // What was believed before of where it lies must not hide a rival.
    believed[c] = std::abs(e.first_mm + c) > belief.inner_within_mm ? 4 * kUnit : 0;
  }
  for (int i = 0; i < sure.rows; ++i) {
    std::fill(most.begin(), most.end(), kLeastEvidence);
    for (int width = kMinWidth; width <= kMaxWidth; ++width) {
      const auto* pairs = sure.ptr<short>(i) + places.first(width);
      for (int c = 0; c < places.cells; ++c) most[c] = std::max(most[c], pairs[c]);
    }
    int rival = path.cell[i], rival_sure = 2 * kLeastEvidence;
    for (int c = 0; c < places.cells; ++c) {
      if (std::abs(c - path.cell[i]) < kRivalFrom || most[c] + believed[c] <= rival_sure) continue;
      rival_sure = most[c] + believed[c];
      rival = c;
    }
    path.rival[i] = rival;
    path.rival_sure[i] = static_cast<float>(rival_sure) / kUnit;
  }
}

}  // namespace

PairPath best_path(const Evidence& e, const Belief& belief, const Steps& steps) {
  const int rows = e.across.rows;
  const Places places(e.across.cols);
  cv::Mat sure(rows, places.size, CV_16S);
  cv::parallel_for_({0, rows}, [&](const cv::Range& range) {
    Row row(places);
    for (int i = range.start; i < range.end; ++i) row.look(e, belief, i, sure.ptr<short>(i));
  });
  // Once and a quarter round: what is kept is an eighth of the way off the seam on either side.
  const int laps = rows + rows / 4, skip = rows / 8;
  PairPath path;
  const std::vector<int> all = best_places(sure, places, steps, laps, path.score);
  path.cell.resize(rows);
  path.width.resize(rows);
  path.sure.resize(rows);
  for (int lap = skip; lap < skip + rows; ++lap) {
    path.cell[lap % rows] = places.cell(all[lap]);
    path.width[lap % rows] = places.width(all[lap]);
    path.sure[lap % rows] = static_cast<float>(sure.at<short>(lap % rows, all[lap])) / kUnit;
  }
  find_rivals(e, belief, places, sure, path);
  return path;
}

}  // namespace panecard::trace
