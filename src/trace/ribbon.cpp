#include "trace/ribbon.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <opencv2/imgproc.hpp>

#include "trace/material.h"
#include "trace/polar.h"
#include "trace/splice.h"

namespace panecard::trace {
namespace {

// Seals of vehicle panes are 4 to 24 mm wide as seen (common practice).
constexpr int kMinWidth = 4, kMaxWidth = 24, kWidths = kMaxWidth - kMinWidth + 1;
constexpr double kRow_mm = 2.0;
constexpr float kImpossible = -1e6F;

// Weights of the pieces of evidence; each is a log-likelihood ratio of an edge or of its absence,
// and less than 1 because neighbours that repeat the same news should not count twice.
// Glass has no edges that run along its rim; a seal has its lip, and body its trim.
constexpr float kEdgeWithinSeal = 0.7F, kEdgeBeyondBody = 0.7F, kEdgeWithinGlass = 1.0F;
constexpr float kChangeAlongSeal = 1.0F, kChangeAlongBody = 0.5F, kChangeAlongGlass = 0.5F;

// What colour says: the seal is one material all round and the body another, the glass neither.
constexpr float kSealAlike = 2.0F, kBodyAlike = 2.5F;

// Per row (curve point) and millimetre of offset: how sure it is that the picture changes across
// the curve here, and along it.
struct Evidence {
  cv::Mat across, along;  // CV_32F, rows x whole millimetres
  double first_mm = 0;    // offset of column 0's middle
  cv::Mat tone;           // see tones()
  Likeness like;          // empty until seal and body are known
};

// Length of the difference of two rows of colours, `count` of them.
void lengths(const float* a, const float* b, int count, float* to) {
  for (std::ptrdiff_t j = 0; j < count; ++j) {
    const float x = b[3 * j] - a[3 * j], y = b[3 * j + 1] - a[3 * j + 1],
                z = b[3 * j + 2] - a[3 * j + 2];
    to[j] = std::sqrt(x * x + y * y + z * z);
  }
}

cv::Mat change_across(const cv::Mat& root) {
  cv::Mat size(root.size(), CV_32F);
  for (int i = 0; i < root.rows; ++i) {
    const auto* from = root.ptr<float>(i);
    auto* to = size.ptr<float>(i);
    lengths(from, from + 6, root.cols - 2, to + 1);
    to[0] = to[root.cols - 1] = 0;
  }
  return size;
}

cv::Mat change_along(const cv::Mat& root) {
  constexpr int kApart = 2;
  const int rows = root.rows;
  cv::Mat size(root.size(), CV_32F);
  for (int i = 0; i < rows; ++i) {
    lengths(root.ptr<float>((i + rows - kApart) % rows), root.ptr<float>((i + kApart) % rows),
            root.cols, size.ptr<float>(i));
  }
  return size;
}

// A change counts by how far it stands out: of the noise in a grainy photo, of shading (an eighth
// of the strip's clear edges) in a clean one.
float least_change(const cv::Mat& size, float clear_edge) {
  return std::max({2 * sampled_quantile(size, 0.5), clear_edge / 8, 1e-6F});
}

void to_log_ratio(float unit, float cap, cv::Mat& size) {
  for (int i = 0; i < size.rows; ++i) {
    auto* to = size.ptr<float>(i);
    for (int j = 0; j < size.cols; ++j) {
      to[j] = std::min(cap, std::log1p(to[j] * to[j] / (unit * unit)));
    }
  }
}

Evidence evidence(const Strip& strip, double sigma_mm, float cap) {
  const int rows = strip.root.rows, columns = strip.root.cols;
  cv::Mat edge = change_across(blurred_round(strip.root, 1.5, sigma_mm / strip.step_mm));
  cv::Mat change = change_along(blurred_round(strip.root, 1.0, 1.0 / strip.step_mm));
  // Two edges of a few columns each run through the strip's hundred or more.
  const float clear_edge = sampled_quantile(edge, 0.98);
  const float unit = least_change(edge, clear_edge);
  // A rounded seal shades over several millimetres, an edge within one: only what stands out from
  // its own surroundings is an edge.
  cv::Mat around;
  const int reach = static_cast<int>(std::lround(3 / strip.step_mm));
  cv::blur(edge, around, {2 * reach + 1, 1}, {-1, -1}, cv::BORDER_REPLICATE);
  edge = cv::max(edge - around, 0.0F);
  to_log_ratio(unit, cap, edge);
  to_log_ratio(least_change(change, clear_edge), 4, change);

  const int per_mm = static_cast<int>(std::lround(1 / strip.step_mm));
  const int cells = columns / per_mm;
  Evidence out{cv::Mat(rows, cells, CV_32F),
               cv::Mat(rows, cells, CV_32F),
               strip.first_mm + 0.5 - strip.step_mm / 2,
               tones(strip),
               {}};
  for (int i = 0; i < rows; ++i) {
    for (int c = 0; c < cells; ++c) {
      float most = 0, sum = 0;
      for (int k = 0; k < per_mm; ++k) {
        most = std::max(most, edge.at<float>(i, c * per_mm + k));
        sum += change.at<float>(i, c * per_mm + k);
      }
      // A card's own edges say nothing of the pane.
      const bool blind = strip.blind.at<unsigned char>(i, c * per_mm) != 0;
      out.across.at<float>(i, c) = blind ? 0 : most;
      out.along.at<float>(i, c) = blind ? 0 : sum / static_cast<float>(per_mm);
    }
  }
  return out;
}

// What is believed of offset and width before this strip is looked at.
struct Belief {
  double outer_from_mm = -1e9, outer_to_mm = 1e9;  // of the seal's outer edge
  double outer_likely_from_mm = -1e9, outer_likely_to_mm = 1e9;
  double width_mm = 0;           // 0: anything
  double inner_within_mm = 1e9;  // of the reference curve
  std::vector<double> near_mm;   // per row: where the user pointed, or NaN
};

std::vector<float> running_sum(const float* values, int count) {
  std::vector<float> sum(count + 1, 0.0F);
  for (int c = 0; c < count; ++c) sum[c + 1] = sum[c] + values[c];
  return sum;
}

float mean(const std::vector<float>& sum, int a, int b) {
  return (sum[b] - sum[a]) / static_cast<float>(b - a);
}

// What lies before, between and beyond a pair of edges, per cell of one row.
struct RowSums {
  std::vector<float> change;      // running sum of the change along
  std::vector<float> seal, body;  // running sums of the likeness; empty when not known
  std::vector<float> inner;       // the glass edge here, what lies within it taken off
  std::vector<float> outer;       // the seal's outer edge here, what lies beyond it taken off

  RowSums(const Evidence& e, int row)
      : change(running_sum(e.along.ptr<float>(row), e.along.cols)),
        inner(e.across.cols, 0.0F),
        outer(e.across.cols, 0.0F) {
    const int cells = e.across.cols;
    const auto* edge = e.across.ptr<float>(row);
    if (!e.like.seal.empty()) {
      seal = running_sum(e.like.seal.ptr<float>(row), cells);
      body = running_sum(e.like.body.ptr<float>(row), cells);
    }
    for (int c = kInside; c < cells; ++c) {
      const float within = *std::max_element(edge + c - kInside, edge + c - 1);
      inner[c] = edge[c] - kEdgeWithinGlass * within +
                 kChangeAlongGlass * mean(change, c - kInside, c - 1);
      if (seal.empty()) continue;
      inner[c] -=
          kSealAlike * mean(seal, c - kInside, c - 1) + kBodyAlike * mean(body, c - kInside, c - 1);
    }
    for (int c = 0; c + kOutside < cells; ++c) {
      outer[c] = edge[c] - kEdgeBeyondBody * beyond(edge, c, cells) -
                 kChangeAlongBody * mean(change, c + 2, c + 8);
      if (seal.empty()) continue;
      outer[c] += kBodyAlike * mean(body, c + 2, c + 8) - kSealAlike * mean(seal, c + 2, c + 8);
    }
  }

  // The clearest edge within 15 mm beyond. Trim and seams are edges of the body: they speak
  // against this one only as far as what lies between is not plainly body.
  float beyond(const float* edge, int from, int cells) const {
    float most = 0;
    for (int c = from + 3; c < std::min(from + 15, cells); ++c) {
      const float plain =
          seal.empty() ? 0
                       : std::max(0.0F, mean(body, from + 1, c - 1) - mean(seal, from + 1, c - 1));
      most = std::max(most, edge[c] * (1 - plain));
    }
    return most;
  }

  // What lies between the two edges.
  float between(int b, int a) const {
    float sure = -kChangeAlongSeal * mean(change, b + 2, std::max(a - 1, b + 3));
    if (!seal.empty()) {
      sure += kSealAlike * mean(seal, b + 1, a) - kBodyAlike * mean(body, b + 1, a);
    }
    return sure;
  }

  static constexpr int kInside = 6, kOutside = 9;  // cells looked at before and beyond
};

// Evidence for every pair (glass edge, seal width) of one row, as [cell * kWidths + width].
void row_evidence(const Evidence& e, const Belief& belief, int row, float* out) {
  const int cells = e.across.cols;
  const auto* edge = e.across.ptr<float>(row);
  const RowSums sums(e, row);
  std::array<float, kWidths> odd_width{};
  for (int w = kMinWidth; belief.width_mm > 0 && w <= kMaxWidth; ++w) {
    const double z = (w - belief.width_mm) / 1.5;
    odd_width[w - kMinWidth] = static_cast<float>(0.5 * std::min(z * z, 9.0));
  }
  std::vector<float> outer = sums.outer;
  for (int c = 0; c < cells; ++c) {
    const double outer_mm = e.first_mm + c;
    if (outer_mm < belief.outer_from_mm || outer_mm > belief.outer_to_mm) outer[c] -= 4;
    if (outer_mm > belief.outer_likely_to_mm) outer[c] -= 2;
    if (outer_mm < belief.outer_likely_from_mm) outer[c] -= 1;
  }
  std::fill(out, out + static_cast<std::ptrdiff_t>(cells) * kWidths, kImpossible);
  for (int b = RowSums::kInside; b + kMinWidth + RowSums::kOutside < cells; ++b) {
    const double inner_mm = e.first_mm + b;
    float base = sums.inner[b];
    if (std::abs(inner_mm) > belief.inner_within_mm) base -= 4;
    if (!belief.near_mm.empty() && !std::isnan(belief.near_mm[row])) {
      const double off = std::abs(inner_mm - belief.near_mm[row]);
      base -= static_cast<float>(2 * std::clamp(off - 3, 0.0, 5.0));
    }
    float within_seal = 0;
    for (int c = b + 2; c < b + kMinWidth - 1; ++c) within_seal = std::max(within_seal, edge[c]);
    for (int w = kMinWidth; w <= kMaxWidth && b + w + RowSums::kOutside < cells; ++w) {
      const int a = b + w;
      if (w > kMinWidth) within_seal = std::max(within_seal, edge[a - 2]);
      out[b * kWidths + (w - kMinWidth)] = base + outer[a] - kEdgeWithinSeal * within_seal +
                                           sums.between(b, a) - odd_width[w - kMinWidth];
    }
  }
}

// The best closed path through (offset, width); steps of either cost a little each.
struct PairPath {
  std::vector<int> cell, width;
  std::vector<float> sure;  // evidence of the pair taken
  std::vector<int> rival;   // cell of the best glass edge away from the one taken
  std::vector<float> rival_sure;
  double score = 0;
};

// One row on: the best way to every state and the moves that led there. The two penalties add up,
// so the best move is found one direction at a time.
struct Steps {
  int max_step;
  float step_cost, width_cost;
};

// What a change of width costs each state, upwards from one narrower and downwards from one wider.
struct Walls {
  std::vector<float> up, down;
  Walls(int states, float width_cost) : up(states, width_cost), down(states, width_cost) {
    for (int s = 0; s < states; s += kWidths) {
      up[s] = -2 * kImpossible;
      down[s + kWidths - 1] = -2 * kImpossible;
    }
  }
};

// `moved` is for the use in here, two longer than the states.
void advance(const std::vector<float>& from, const float* sure, const Steps& steps,
             const Walls& walls, std::vector<float>& moved, std::vector<float>& to,
             signed char* back_cell, signed char* back_width) {
  const int states = static_cast<int>(from.size());
  moved.front() = moved.back() = 2 * kImpossible;
  std::copy(from.begin(), from.end(), moved.begin() + 1);
  std::fill(back_cell, back_cell + states, static_cast<signed char>(0));
  for (int k = -steps.max_step; k <= steps.max_step; ++k) {
    if (k == 0) continue;
    const float cost = steps.step_cost * static_cast<float>(std::abs(k));
    const int lo = std::max(0, k) * kWidths, hi = states + std::min(0, k) * kWidths;
    for (int s = lo; s < hi; ++s) {
      const float v = from[s - k * kWidths] - cost;
      back_cell[s] = v > moved[s + 1] ? static_cast<signed char>(k) : back_cell[s];
      moved[s + 1] = v > moved[s + 1] ? v : moved[s + 1];
    }
  }
  // Walls between one cell's widest seal and the next one's narrowest, so that one loop serves all.
  const float *cost_up = walls.up.data(), *cost_down = walls.down.data(), *here = moved.data() + 1;
  constexpr signed char kNarrower = 1, kWider = -1;
  for (int s = 0; s < states; ++s) {
    const float narrower = here[s - 1] - cost_up[s], wider = here[s + 1] - cost_down[s];
    float best = here[s];
    signed char move = 0;
    move = narrower > best ? kNarrower : move;
    best = narrower > best ? narrower : best;
    move = wider > best ? kWider : move;
    best = wider > best ? wider : best;
    back_width[s] = move;
    to[s] = std::max(best + sure[s], 2 * kImpossible);
  }
}

// Nearer than this, another edge is the same one or its lip.
constexpr int kRivalFrom = 5;

void find_rivals(const Evidence& e, const Belief& belief, const cv::Mat& sure, PairPath& path) {
  path.rival.resize(sure.rows);
  path.rival_sure.resize(sure.rows);
  for (int i = 0; i < sure.rows; ++i) {
    const auto* row = sure.ptr<float>(i);
    path.rival[i] = path.cell[i];
    path.rival_sure[i] = kImpossible;
    for (int b = 0; b < e.across.cols; ++b) {
      if (std::abs(b - path.cell[i]) < kRivalFrom) continue;
      const auto* widths = row + static_cast<std::ptrdiff_t>(b) * kWidths;
      // What was believed before of where it lies must not hide a rival.
      const float believed = std::abs(e.first_mm + b) > belief.inner_within_mm ? 4.0F : 0.0F;
      const float most = *std::max_element(widths, widths + kWidths) + believed;
      if (most <= path.rival_sure[i]) continue;
      path.rival_sure[i] = most;
      path.rival[i] = b;
    }
  }
}

// The moves that led to every state, a row for each lap.
struct Moves {
  cv::Mat cell, width;
  Moves(int laps, int states) : cell(laps, states, CV_8S), width(laps, states, CV_8S) {}

  int before(int row, int s) const {
    s -= width.at<signed char>(row, s);
    s -= cell.at<signed char>(row, s) * kWidths;
    return std::clamp(s, 0, cell.cols - 1);
  }
};

// The best states of laps that follow each other, rows of `sure` again and again. The path is found
// from both ends at once, a core each: a step costs the same either way, so that what is best up to
// the middle and what is best from there on add up to what one walk from end to end gives.
std::vector<int> best_states(const cv::Mat& sure, const Steps& steps, int laps, double& score) {
  const int states = sure.cols, middle = laps / 2;
  const Walls walls(states, steps.width_cost);
  Moves moves(laps + 1, states);  // the middle lap has two rows, one for each way
  std::array<std::vector<float>, 2> best;
  const auto walk = [&](int half, int from_lap, int to_lap, std::vector<float>& from) {
    std::vector<float> moved(states + 2), to(states);
    const int way = half == 0 ? 1 : -1;
    for (int lap = from_lap; lap != to_lap + way; lap += way) {
      advance(from, sure.ptr<float>(lap % sure.rows), steps, walls, moved, to,
              moves.cell.ptr<signed char>(lap + half), moves.width.ptr<signed char>(lap + half));
      std::swap(from, to);
    }
  };
  cv::parallel_for_({0, 2}, [&](const cv::Range& range) {
    for (int half = range.start; half < range.end; ++half) {
      best[half].assign(states, 0.0F);
      walk(half, half == 0 ? 0 : laps - 1, half == 0 ? middle - 1 : middle, best[half]);
    }
  });
  // On to the middle lap, gaining all that lies from there to the end.
  std::vector<float> moved(states + 2), all_in_all(states);
  advance(best[0], best[1].data(), steps, walls, moved, all_in_all,
          moves.cell.ptr<signed char>(middle), moves.width.ptr<signed char>(middle));
  const auto most = std::max_element(all_in_all.begin(), all_in_all.end());
  score = *most / static_cast<float>(laps);
  std::vector<int> path(laps);
  path[middle] = static_cast<int>(most - all_in_all.begin());
  for (int lap = middle; lap > 0; --lap) path[lap - 1] = moves.before(lap, path[lap]);
  for (int lap = middle; lap + 1 < laps; ++lap) path[lap + 1] = moves.before(lap + 1, path[lap]);
  return path;
}

PairPath best_path(const Evidence& e, const Belief& belief, const Steps& steps) {
  const int rows = e.across.rows, cells = e.across.cols, states = cells * kWidths;
  cv::Mat sure(rows, states, CV_32F);
  cv::parallel_for_({0, rows}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) row_evidence(e, belief, i, sure.ptr<float>(i));
  });
  const int laps = rows + rows / 2;
  PairPath path;
  const std::vector<int> all = best_states(sure, steps, laps, path.score);
  path.cell.resize(rows);
  path.width.resize(rows);
  path.sure.resize(rows);
  for (int lap = rows / 4; lap < rows / 4 + rows; ++lap) {
    path.cell[lap % rows] = all[lap] / kWidths;
    path.width[lap % rows] = all[lap] % kWidths + kMinWidth;
    path.sure[lap % rows] = sure.at<float>(lap % rows, all[lap]);
  }
  find_rivals(e, belief, sure, path);
  return path;
}

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

struct Pass {
  double half_mm, step_mm, sigma_mm;
  float cap;
  double smooth_mm;
  Steps steps;
};

// Coarse and wide first, then about the seal's outer edge, then sharp about the glass edge: the
// straighter the edges lie in the strip, the sharper they may be looked at. Each strip holds the
// widest seal, whichever of its edges is in the middle, and the body beyond it.
constexpr Pass kPasses[] = {{36, 0.5, 0.6, 4, 6, {2, 0.15F, 0.4F}},
                            {34, 0.5, 0.5, 5, 5, {2, 0.3F, 0.9F}},
                            {36, 0.25, 0.3, 6, 4, {1, 0.3F, 0.9F}}};

// Calibrated on rendered photos, see docs/trace.md: how often the edge taken was the wrong one of
// two against how far the other's mean evidence was behind.
double rival_probability(double behind) { return 1 / (1 + std::exp(1.1 + 0.75 * behind)); }

// A rival is an edge that runs along for a while, not the best of a row's noise: over 100 mm most
// of the rows must agree where it is.
void weigh_rivals(const PairPath& path, Ribbon& ribbon) {
  constexpr int kAround = 25;
  constexpr double kAgree_mm = 3;
  const int rows = static_cast<int>(path.cell.size());
  ribbon.rival_mm.assign(rows, 0);
  ribbon.rival_behind.assign(rows, 0);
  ribbon.rival_probability.assign(rows, 0);
  std::vector<double> offset(2 * kAround + 1);
  for (int i = 0; i < rows; ++i) {
    double behind = 0;
    for (int k = -kAround; k <= kAround; ++k) {
      const int row = ((i + k) % rows + rows) % rows;
      offset[k + kAround] = path.rival[row] - path.cell[row];
      behind += path.sure[row] - path.rival_sure[row];
    }
    behind /= 2 * kAround + 1;
    const double middle = median(offset);
    for (double& x : offset) x = std::abs(x - middle);
    if (median(offset) > kAgree_mm) continue;
    ribbon.rival_mm[i] = middle;
    ribbon.rival_behind[i] = behind;
    ribbon.rival_probability[i] = rival_probability(behind);
  }
}

Materials learn(const Evidence& e, const PairPath& path) {
  std::vector<int> outer(path.cell.size());
  for (std::size_t i = 0; i < outer.size(); ++i) outer[i] = path.cell[i] + path.width[i];
  return learn_materials(e.tone, path.cell, outer);
}

// The path is found again with what it teaches of seal and body. `materials`: what is known of them
// before, empty for nothing; what is known after.
Ribbon look(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
            const PolygonMm& near, const Pass& pass, const PolygonMm& curve, Belief belief,
            Materials& materials) {
  Strip strip = unwrap(photo, sight, cards,
                       resample(smooth_closed(resample(curve, 1.0), pass.smooth_mm), kRow_mm),
                       pass.half_mm, pass.step_mm);
  Evidence e = evidence(strip, pass.sigma_mm, pass.cap);
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
    // An edge of twice the usual change: log(1 + 1).
    ribbon.outer_seen.push_back(
        e.across.at<float>(static_cast<int>(k), path.cell[k] + path.width[k]) > 0.7F);
  }
  weigh_rivals(path, ribbon);
  ribbon.curve = std::move(strip.curve);
  ribbon.normals = std::move(strip.normals);
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

// Everything that was tried about one photo, and what comes of it.
class Search {
 public:
  Search(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
         const PolygonMm& near)
      : photo_(photo), sight_(sight), cards_(cards), near_(near), middle_(middle_of(cards)) {}

  /// Wide looks about those of the rings that no look was about yet.
  void look_about(const std::vector<PolygonMm>& rings, RingIs is) {
    std::vector<const PolygonMm*> starts;
    for (const PolygonMm& ring : rings) {
      const auto known = [&](const auto* other) { return alike(ring, *other); };
      if (std::none_of(starts.begin(), starts.end(), known)) starts.push_back(&ring);
    }
    const std::size_t first = looks_.size();
    looks_.resize(first + starts.size());
    cv::parallel_for_({0, static_cast<int>(starts.size())}, [&](const cv::Range& range) {
      for (int i = range.start; i < range.end; ++i) {
        Look& to = looks_[first + static_cast<std::size_t>(i)];
        to.ribbon = look(photo_, sight_, cards_, near_, kPasses[0], *starts[i], belief_of(is),
                         to.materials);
        to.around = seen_from(middle_, to.ribbon);
      }
    });
  }

  double best_score() const { return surest().ribbon.score; }

  /// The best of all looks, stretch by stretch, looked at more and more sharply.
  Ribbon settle() const {
    std::vector<Around> around;
    around.reserve(looks_.size());
    for (const Look& l : looks_) around.push_back(l.around);
    const Around best = splice(middle_, around);
    Materials known = surest().materials;
    Belief belief;
    belief.width_mm = median(surest().ribbon.width_mm);
    belief.outer_from_mm = -6;
    belief.outer_to_mm = 6;
    const Ribbon second =
        look(photo_, sight_, cards_, near_, kPasses[1], outer_curve(middle_, best), belief, known);
    belief = {};
    belief.width_mm = median(second.width_mm);
    belief.inner_within_mm = 4;
    const Pass& sharp = kPasses[2];
    Ribbon third = look(photo_, sight_, cards_, near_, sharp, inner_curve(second), belief, known);

    // What was believed from pass to pass may have kept out the better of two edges.
    const Around taken = seen_from(middle_, third);
    const Around better = splice(middle_, {taken, seen_from(middle_, with_better_rivals(third))});
    if (better.inner_mm == taken.inner_mm) return third;
    return look(photo_, sight_, cards_, near_, sharp, inner_curve(middle_, better), belief, known);
  }

 private:
  struct Look {
    Ribbon ribbon;
    Materials materials;
    Around around;
  };
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

// Where the evidence says that there is no seal, as where a path crosses bare body or plain glass
// from a wrong edge back to the right one.
std::vector<Rays> spoken_against(PointMm middle, const Around& around) {
  constexpr double kStretch_mm = 30;
  const PolygonMm curve = inner_curve(middle, around);
  const auto step = [&](int ray) { return distance(curve[ray % kRays], curve[(ray + 1) % kRays]); };
  std::vector<bool> against(kRays, false);
  double sum = 0, length = 0;
  for (int from = 0, to = 0; from < kRays; ++from) {
    for (; length < kStretch_mm && to < from + kRays; ++to) {
      sum += step(to) * around.sure[to % kRays];
      length += step(to);
    }
    for (int ray = from; sum < 0 && ray < to; ++ray) against[ray % kRays] = true;
    sum -= step(from) * around.sure[from];
    length -= step(from);
  }
  std::vector<Rays> out;
  const auto clear = std::find(against.begin(), against.end(), false);
  if (clear == against.end()) return {{0, kRays}};
  const int start = static_cast<int>(clear - against.begin());
  for (int ray = start; ray < start + kRays; ++ray) {
    if (!against[ray % kRays]) continue;
    if (out.empty() || !against[(ray - 1) % kRays]) out.push_back({ray % kRays, 0});
    ++out.back().count;
  }
  return out;
}

// What lies between two places that are spoken against may be wrong, and of a single one either
// side.
std::vector<Rays> parts_in_doubt(const std::vector<Rays>& places) {
  std::vector<Rays> parts;
  constexpr std::size_t kMost = 6;
  if (places.size() < 2 || places.size() > kMost) {
    for (int part = 0; part < 6; ++part) parts.push_back({part * kRays / 6, kRays * 5 / 12});
    return parts;
  }
  for (std::size_t i = 0; i < places.size(); ++i) {
    const Rays &from = places[i], &to = places[(i + 1) % places.size()];
    const int between = ((to.first - from.first) % kRays + kRays) % kRays;
    parts.push_back({from.first, std::min(between + to.count, kRays)});
  }
  return parts;
}

}  // namespace

PolygonMm inner_curve(const Ribbon& ribbon) { return shifted(ribbon, false); }
PolygonMm outer_curve(const Ribbon& ribbon) { return shifted(ribbon, true); }

Ribbon find_ribbon(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
                   const Rings& rings, const PolygonMm& near) {
  Search search(photo, sight, cards, near);
  search.look_about(rings.curves(), RingIs::either_edge);
  constexpr double kClear = 4;  // half of two clear edges all the way round
  if (search.best_score() < kClear) search.look_about(rings.curves(), RingIs::glass_edge);
  Ribbon best = search.settle();

  // A stretch that strayed may be put right in two steps: off a body crease, then off a pillar.
  constexpr int kMostRounds = 3;
  constexpr double kWorthAnother = 0.25;  // a sixteenth of a clear edge all the way round
  const PointMm middle = middle_of(cards);
  for (int round = 0; round < kMostRounds; ++round) {
    const Around taken = seen_from(middle, best);
    const std::vector<Rays> against = spoken_against(middle, taken);
    if (against.empty()) break;
    const std::vector<PolygonMm> others =
        rings.other_ways(taken.inner_mm, taken.outer_mm, parts_in_doubt(against));
    search.look_about(others, RingIs::either_edge);
    search.look_about(others, RingIs::glass_edge);
    Ribbon again = search.settle();
    const double gain =
        plausibility(middle, seen_from(middle, again)) - plausibility(middle, taken);
    if (gain > 0) best = std::move(again);
    if (gain < kWorthAnother) break;
  }
  return best;
}

}  // namespace panecard::trace
