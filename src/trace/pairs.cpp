#include "trace/pairs.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <utility>

#include "trace/closed_path.h"
#include "trace/wide.h"

namespace panecard::trace {
namespace {

// Weights of the pieces of evidence; each is a log-likelihood ratio of an edge or of its absence,
// and less than 1 because neighbours that repeat the same news should not count twice.
// Glass has no edges that run along its rim; a seal has its lip, and body its trim.
constexpr float kEdgeWithinSeal = 0.7F, kEdgeBeyondBody = 0.7F, kEdgeWithinGlass = 1.0F;
constexpr float kChangeAlongSeal = 1.0F, kChangeAlongBody = 0.5F, kChangeAlongGlass = 0.5F;

// What colour says: the seal is one material all round and the body another, the glass neither.
constexpr float kSealAlike = 2.0F, kBodyAlike = 2.5F;

constexpr int kInside = 6, kOutside = 9;   // cells looked at before and beyond a pair
constexpr int kBodyFrom = 2, kBodyTo = 8;  // cells beyond a seal that should be body

// Sums along a path are 16 bits wide, in 64ths, counted from the best of their row. What is 250
// behind is out of the race: a path moves from any pair to any other for less.
constexpr int kUnit = 64;
constexpr short kMostEvidence = 8000, kLeastEvidence = -kMostEvidence, kFloor = -16000;
constexpr int kMostStep = 4;  // cells per row
constexpr int kRoom = 16;     // beside each width's cells; whole vectors of any processor
static_assert(kRoom >= kMostStep);

short units(float evidence) {
  const long whole = std::lround(kUnit * evidence);
  return static_cast<short>(std::clamp<long>(whole, kLeastEvidence, kMostEvidence));
}

// Where a pair is found in a row of all: by width, then cell, with room on either side of each
// width's cells, so that no step leads astray.
struct Places {
  int cells, stride, size;
  explicit Places(int cells_)
      : cells(cells_),
        stride((cells + kRoom - 1) / kRoom * kRoom + kRoom),
        size(kWidths * stride) {}

  int first(int width) const { return (width - kMinWidth) * stride + kRoom; }
  // No path leads through the room, as far as evidence is bounded; no place is outside even then.
  int cell(int place) const { return std::clamp(place % stride - kRoom, 0, cells - 1); }
  int width(int place) const {
    return std::clamp(place / stride + kMinWidth, kMinWidth, kMaxWidth);
  }
  // Before and after all, for a step to the next width and aside.
  int room() const { return stride + kRoom; }
};

void running_sum(const float* values, int count, std::vector<float>& sum) {
  sum.resize(count + 1);
  sum[0] = 0;
  for (int c = 0; c < count; ++c) sum[c + 1] = sum[c] + values[c];
}

// What lies between two edges `width` cells apart, as weights of sums.
struct Between {
  int width, plain;  // cells, and cells well between the two
  float per_plain, per_seal, odd;
};

// Pairs of one width, for cells [first, last): the two edges and what lies between. `most`: the
// clearest edge well between, brought up to this width; `seal`: running sum of what is seal less
// what is body, or nothing known.
PANECARD_WIDE
void pairs_of(const Between& between, const float* __restrict inner, const float* __restrict outer,
              const float* __restrict edge, const float* __restrict change,
              const float* __restrict seal, int first, int last, float* __restrict most,
              float* __restrict pair) {
  const int width = between.width, plain = between.plain + 2;
  for (int c = first; c < last; ++c) {
    const float within = std::max(most[c], edge[c + width - 2]);
    most[c] = within;
    pair[c] = inner[c] + outer[c + width] - kEdgeWithinSeal * within -
              between.per_plain * (change[c + plain] - change[c + 2]) - between.odd;
  }
  if (seal == nullptr) return;
  for (int c = first; c < last; ++c) {
    pair[c] += between.per_seal * (seal[c + width] - seal[c + 1]);
  }
}

// In whole units. Cutting off, as the conversion does, would tilt towards zero.
PANECARD_WIDE
void to_units(const float* __restrict pair, int first, int last, short* __restrict out) {
  for (int c = first; c < last; ++c) {
    const int up = static_cast<int>(kUnit * pair[c] + (kMostEvidence + 0.5F));
    out[c] = static_cast<short>(std::min(std::max(up, 0), 2 * kMostEvidence) - kMostEvidence);
  }
}

// The clearest edge within 15 mm beyond. Trim and seams are edges of the body: they speak against
// this one only as far as what lies between is not plainly body. `plain`: running sum of what is
// body less what is seal, or nothing known.
PANECARD_WIDE
void clearest_beyond(const float* __restrict edge, const float* __restrict plain, int cells,
                     float* __restrict most) {
  std::fill(most, most + cells, 0.0F);
  for (int d = 3; d < 15; ++d) {
    const float per_cell = 1.0F / static_cast<float>(d - 2);
    for (int c = 0; plain == nullptr && c < cells - d; ++c)
      most[c] = std::max(most[c], edge[c + d]);
    if (plain == nullptr) continue;
    for (int c = 0; c < cells - d; ++c) {
      const float body = std::max(0.0F, (plain[c + d - 1] - plain[c + 1]) * per_cell);
      most[c] = std::max(most[c], edge[c + d] * (1 - body));
    }
  }
}

bool is_blind(const cv::Vec3f& tone) { return std::isnan(tone[0]); }

// How much of a pair's evidence is for what was not seen, see Row::learn_likeness.
float taken_on_trust(const cv::Vec3f* tone, int cells, const Likeness& like, int cell, int width) {
  const auto blind = [&](int from, int to) {
    int count = 0;
    for (int c = from; c < std::min(to, cells); ++c) count += is_blind(tone[c]) ? 1 : 0;
    return static_cast<float>(count) / static_cast<float>(to - from);
  };
  const int outer = cell + width;
  return kSealAlike * like.usual_seal * blind(cell + 1, outer) +
         kBodyAlike * like.usual_body * blind(outer + kBodyFrom, outer + kBodyTo);
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
        pair_(places.cells) {}

  void look(const Evidence& e, const Belief& belief, int row, short* out) {
    edge_ = e.across.ptr<float>(row);
    running_sum(e.along.ptr<float>(row), places_.cells, change_);
    const bool known = !e.like.seal.empty();
    if (known) {
      learn_likeness(e.like, row, e.tone.ptr<cv::Vec3f>(row));
    }
    look_inside(known);
    look_beyond(known);
    believe(e, belief, row);
    std::fill(out, out + places_.size, kLeastEvidence);
    for (int c = kInside; c + kMinWidth - 3 < places_.cells; ++c) {
      most_[c] = *std::max_element(edge_ + c + 2, edge_ + c + kMinWidth - 1);
    }
    for (int width = kMinWidth; width <= kMaxWidth; ++width) {
      const int last = places_.cells - kOutside - width, plain = std::max(width - 3, 1);
      const double z = belief.width_mm > 0 ? (width - belief.width_mm) / 1.5 : 0;
      const Between between{width, plain, kChangeAlongSeal / static_cast<float>(plain),
                            1.0F / static_cast<float>(width - 1),
                            static_cast<float>(0.5 * std::min(z * z, 9.0))};
      pairs_of(between, inner_.data(), outer_.data(), edge_, change_.data(),
               known ? seal_less_body_.data() : nullptr, kInside, last, most_.data(), pair_.data());
      to_units(pair_.data(), kInside, last, out + places_.first(width));
    }
  }

 private:
  void learn_likeness(const Likeness& like, int row, const cv::Vec3f* tone) {
    const auto *seal = like.seal.ptr<float>(row), *body = like.body.ptr<float>(row);
    // What a card hides, or the photo's border, may be anything, and speaks for no place before
    // another: it is taken for what each pair wants there, as alike as what is seen usually is.
    // Counted as nothing it would draw the seal to where it is seen.
    for (int c = 0; c < places_.cells; ++c) {
      alike_[c] = is_blind(tone[c]) ? kSealAlike * like.usual_seal
                                    : kSealAlike * seal[c] - kBodyAlike * body[c];
    }
    running_sum(alike_.data(), places_.cells, seal_less_body_);
    for (int c = 0; c < places_.cells; ++c) {
      if (is_blind(tone[c])) alike_[c] = -kBodyAlike * like.usual_body;
    }
    running_sum(alike_.data(), places_.cells, beyond_);
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
    constexpr int kCells = kBodyTo - kBodyFrom;
    clearest_beyond(edge_, known ? plain_.data() : nullptr, places_.cells, most_.data());
    const int last = places_.cells - kOutside;
    for (int c = 0; c < last; ++c) {
      outer_[c] = edge_[c] - kEdgeBeyondBody * most_[c] -
                  kChangeAlongBody / kCells * (change_[c + kBodyTo] - change_[c + kBodyFrom]);
    }
    if (!known) return;
    for (int c = 0; c < last; ++c) {
      outer_[c] -= (beyond_[c + kBodyTo] - beyond_[c + kBodyFrom]) / kCells;
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

  const Places& places_;
  const float* edge_ = nullptr;
  std::vector<float> change_, seal_less_body_, beyond_, either_, plain_;  // running sums
  std::vector<float> inner_, outer_, most_, alike_, pair_;
};

// The best of each place and those of the next widths, at `cost`, less `down`, and what the row has
// for the place; the best of all comes back.
PANECARD_WIDE
short widen_on(const short* __restrict from, int count, int stride, short cost, short down,
               const short* __restrict sure, short* __restrict to) {
  short best = kFloor + kLeastEvidence;
  for (int p = 0; p < count; ++p) {
    const auto aside = static_cast<short>(std::max(from[p - stride], from[p + stride]) - cost);
    const auto most = static_cast<short>(std::max(from[p], aside) - down);
    const auto sum = static_cast<short>(std::max(most, kFloor) + sure[p]);
    best = std::max(best, sum);
    to[p] = sum;
  }
  return best;
}

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
        moved_(places.size + 2 * places.room(), kFloor) {}

  short on(const short* from, short best, const short* sure, short* to) {
    short* moved = moved_.data() + places_.room();
    best_moves(from, places_.size, max_step_, step_, moved);
    return widen_on(moved, places_.size, places_.stride, width_, best, sure, to);
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

// Sums from one end of the unrolled strip on, to the middle.
struct End {
  PathSums<short> sums;
  double risen = 0;  // what was taken off the last row's sums along the way

  End(int count, const Places& places) : sums(count, places.size, places.room(), 0, kFloor) {}

  // Steps of the line from `first` on, one way.
  void walk(const cv::Mat& sure, const Places& places, const Steps& steps, const Unrolled& line,
            int first, int way) {
    Walk walk(places, steps);
    short best = 0;
    sum_up(sums, [&](const short* from, int i, short* to) {
      risen += best;
      best = walk.on(from, best, sure.ptr<short>(line.row(first + way * i)), to);
    });
  }
};

// The best place of each step of the unrolled strip. The path is found from both ends at once, a
// core each: a move costs the same either way, so that what is best up to the middle and what is
// best from there on add up to what one walk from end to end gives.
std::vector<int> best_places(const cv::Mat& sure, const Places& places, const Steps& steps,
                             const Unrolled& line, double& score) {
  const int middle = line.steps / 2;
  std::array<End, 2> ends{End(middle, places), End(line.steps - middle, places)};
  cv::parallel_for_({0, 2}, [&](const cv::Range& range) {
    for (int half = range.start; half < range.end; ++half) {
      const bool first = half == 0;
      ends[half].walk(sure, places, steps, line, first ? 0 : line.steps - 1, first ? 1 : -1);
    }
  });
  const Walk walk(places, steps);
  int most = std::numeric_limits<int>::min(), met = places.first(kMinWidth), from = met;
  for (int width = kMinWidth; width <= kMaxWidth; ++width) {
    for (int p = places.first(width); p < places.first(width) + places.cells; ++p) {
      const auto [before, left] = walk.before(ends[0].sums.last(), p);
      if (left + ends[1].sums.last()[p] <= most) continue;
      most = left + ends[1].sums.last()[p];
      met = p, from = before;
    }
  }
  score = (ends[0].risen + ends[1].risen + most) / kUnit / line.steps;
  const auto before = [&](const short* sums, int, int p) { return walk.before(sums, p).first; };
  std::vector<int> path = trace_back(ends[0].sums, from, before);
  const std::vector<int> rest = trace_back(ends[1].sums, met, before);
  path.insert(path.end(), rest.rbegin(), rest.rend());
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

// A rival was compared as it was found, and stays as far behind.
void take_off_trust(const Evidence& e, PairPath& path) {
  double sum = 0;
  for (int i = 0; i < e.tone.rows; ++i) {
    const float trust =
        taken_on_trust(e.tone.ptr<cv::Vec3f>(i), e.tone.cols, e.like, path.cell[i], path.width[i]);
    path.sure[i] -= trust;
    path.rival_sure[i] -= trust;
    sum += trust;
  }
  path.score -= sum / e.tone.rows;
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
  const Unrolled line = turn_and_a_quarter(rows);
  PairPath path;
  const std::vector<int> place = kept(line, best_places(sure, places, steps, line, path.score));
  path.cell.resize(rows);
  path.width.resize(rows);
  path.sure.resize(rows);
  for (int i = 0; i < rows; ++i) {
    path.cell[i] = places.cell(place[i]);
    path.width[i] = places.width(place[i]);
    path.sure[i] = static_cast<float>(sure.at<short>(i, place[i])) / kUnit;
  }
  find_rivals(e, belief, places, sure, path);
  if (!e.like.seal.empty()) take_off_trust(e, path);
  return path;
}

}  // namespace panecard::trace
