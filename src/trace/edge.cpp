#include "trace/edge.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>
#include <utility>

namespace panecard::trace {
namespace {

constexpr double kHalf_mm = 2.6, kStep_mm = 0.1, kRow_mm = kEdgeRow_mm;
// Averaging along the edge: corners are rounder than this. A faint edge shows in a longer average.
constexpr double kAlong_mm = 1.5, kFaintAlong_mm = 6;

// Median of the change away from the middle of the strip, over some rows before and after.
std::vector<float> local_noise(const cv::Mat& size, const cv::Mat& blind) {
  constexpr int kAround = 12, kEvery = 4;
  const int rows = size.rows, columns = size.cols;
  const int off = static_cast<int>(std::lround(0.9 / kStep_mm)), middle = columns / 2;
  std::vector<float> out(rows);
  cv::parallel_for_({0, (rows + kEvery - 1) / kEvery}, [&](const cv::Range& range) {
    std::vector<float> sample;
    for (int start = range.start * kEvery; start < std::min(range.end * kEvery, rows);
         start += kEvery) {
      sample.clear();
      for (int k = -kAround; k <= kAround; k += 2) {
        const int at = ((start + k) % rows + rows) % rows;
        const auto* row = size.ptr<float>(at);
        const auto* hidden = blind.ptr<unsigned char>(at);
        for (int j = 2; j + 2 < columns; j += 2) {
          if (std::abs(j - middle) > off && hidden[j] == 0) sample.push_back(row[j]);
        }
      }
      // Beside nothing that was seen no edge is clear.
      if (sample.empty()) sample.push_back(std::numeric_limits<float>::max());
      const auto half = sample.begin() + static_cast<std::ptrdiff_t>(sample.size() / 2);
      std::nth_element(sample.begin(), half, sample.end());
      std::fill(out.begin() + start, out.begin() + std::min(start + kEvery, rows),
                std::max(*half, 1e-6F));
    }
  });
  return out;
}

// How strongly the picture changes across the curve, and the noise of that figure.
struct Change {
  cv::Mat shade;             // CV_32F: mean of the channels, as blurred
  cv::Mat across;            // CV_32FC3, per step
  cv::Mat size;              // CV_32F
  std::vector<float> noise;  // per row: the usual change off the edge, in its neighbourhood
};

Change change_across(const Strip& strip, double along_mm, double blur_mm) {
  const int rows = strip.root.rows, columns = strip.root.cols;
  const cv::Mat soft = blurred_round(strip.root, along_mm / kRow_mm, blur_mm / kStep_mm);
  Change out{cv::Mat(rows, columns, CV_32F),
             cv::Mat(rows, columns, CV_32FC3, cv::Scalar::all(0)),
             cv::Mat(rows, columns, CV_32F, cv::Scalar(0)),
             {}};
  cv::parallel_for_({0, rows}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const auto* from = soft.ptr<cv::Vec3f>(i);
      auto* to = out.across.ptr<cv::Vec3f>(i);
      auto* size = out.size.ptr<float>(i);
      auto* shade = out.shade.ptr<float>(i);
      for (int j = 0; j < columns; ++j) shade[j] = (from[j][0] + from[j][1] + from[j][2]) / 3;
      for (int j = 1; j + 1 < columns; ++j) {
        to[j] = 0.5F * (from[j + 1] - from[j - 1]);
        size[j] = std::sqrt(to[j].dot(to[j]));
      }
    }
  });
  out.noise = local_noise(out.size, strip.blind);
  return out;
}

// What each place of the strip has for it: a strong edge, near the middle.
cv::Mat evidence(const Change& change, const Strip& strip) {
  constexpr float kMost = 20;  // times twice the noise: evidence of 6
  const int rows = strip.root.rows, columns = strip.root.cols;
  cv::Mat out(rows, columns, CV_32F);
  cv::parallel_for_({0, rows}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const auto* size = change.size.ptr<float>(i);
      const auto* blind = strip.blind.ptr<unsigned char>(i);
      auto* to = out.ptr<float>(i);
      // The clearest place of a row counts so much at the most; the others stay behind it.
      float clearest = 0;
      for (int j = 0; j < columns; ++j) clearest = std::max(clearest, blind[j] != 0 ? 0 : size[j]);
      const float unit = 1 / std::max(2 * change.noise[i], clearest / kMost);
      for (int j = 0; j < columns; ++j) {
        const float ratio = size[j] * unit;
        to[j] = blind[j] != 0 ? 1 : 1 + ratio * ratio;
      }
      cv::Mat row = out.row(i);
      cv::log(row, row);
      for (int j = 0; j < columns; ++j) {
        // The rough curve is good to about a millimetre: a normal belief of that width.
        const auto off = static_cast<float>(strip.offset_mm(j));
        to[j] -= 0.5F * off * off;
      }
    }
  });
  return out;
}

// Viterbi round the closed strip, without jumps; the moves are found on the way back.
std::vector<int> follow(const Change& change, const Strip& strip) {
  constexpr int kMaxStep = 2;
  constexpr float kStepCost = 0.15F, kFar = -1e9F;
  const cv::Mat gain = evidence(change, strip);
  const int rows = gain.rows, columns = gain.cols;
  // Once and a quarter round: what is kept is an eighth of the way off the seam on either side.
  const int laps = rows + rows / 4, skip = rows / 8;
  cv::Mat sums(laps, columns + 2 * kMaxStep, CV_32F, cv::Scalar(kFar));
  std::vector<float> start(sums.cols, kFar), moved(columns);
  std::fill_n(start.begin() + kMaxStep, columns, 0.0F);
  const float* from = start.data() + kMaxStep;
  for (int lap = 0; lap < laps; ++lap) {
    auto* to = sums.ptr<float>(lap) + kMaxStep;
    const auto* here = gain.ptr<float>(lap % rows);
    std::copy_n(from, columns, moved.begin());
    for (int k = 1; k <= kMaxStep; ++k) {
      const float cost = kStepCost * static_cast<float>(k);
      for (int j = 0; j < columns; ++j) {
        moved[j] = std::max(moved[j], std::max(from[j - k], from[j + k]) - cost);
      }
    }
    for (int j = 0; j < columns; ++j) to[j] = moved[j] + here[j];
    from = to;
  }
  int j = static_cast<int>(std::max_element(from, from + columns) - from);
  std::vector<int> path(rows);
  for (int lap = laps - 1; lap >= skip; --lap) {
    if (lap < skip + rows) path[lap % rows] = j;
    const auto* before = sums.ptr<float>(std::max(lap - 1, 0)) + kMaxStep + j;
    int step = 0;
    float best = before[0];
    for (const int k : {-2, -1, 1, 2}) {
      const float v = before[k] - kStepCost * static_cast<float>(std::abs(k));
      if (v > best) best = v, step = k;
    }
    j += step;
  }
  return path;
}

struct Samples {
  std::vector<double> offset_mm;
  std::vector<bool> seen;
  std::vector<double> along_mm;  ///< averaged over
  std::vector<double> width_mm;  ///< of the change, as the sigma of a blurred step
};

// A blurred step's change is a Gaussian, 2.355 sigma wide at half its height.
double width_cells(const Change& change, int row, int column) {
  const cv::Vec3f u = change.across.at<cv::Vec3f>(row, column);
  const float half = 0.5F * u.dot(u);
  const auto reach = [&](int way) {
    float before = 2 * half;
    for (int k = 1; column + way * k > 0 && column + way * k + 1 < change.across.cols; ++k) {
      const float now = u.dot(change.across.at<cv::Vec3f>(row, column + way * k));
      if (now <= half) return k - 1 + static_cast<double>((before - half) / (before - now));
      before = now;
    }
    return change.across.cols / 2.0;
  };
  return (reach(-1) + reach(1)) / 2.355;
}

// Light hardly reaches the line where a rounded seal touches the glass. Where that crevice can be
// looked into there is a dark line between two steps, and the stronger step may be the one on the
// glass's side of it; the contact is then as much further out as the line is wider than blur alone
// would make the foot of one step. Column of the contact, given the stronger step's.
double contact(const float* shade, int columns, double step_column, double blur_mm) {
  const auto cells = [](double mm) { return static_cast<int>(std::lround(mm / kStep_mm)); };
  const int around = cells(0.9), shoulder = cells(1.2);
  const int middle = static_cast<int>(std::lround(step_column));
  const int lo = std::max(1, middle - around), hi = std::min(columns - 2, middle + around);
  if (lo >= hi) return step_column;
  const int v = static_cast<int>(std::min_element(shade + lo, shade + hi + 1) - shade);
  if (v == lo || v == hi) return step_column;
  const float left = *std::max_element(shade + std::max(0, v - shoulder), shade + v) - shade[v];
  const float right =
      *std::max_element(shade + v + 1, shade + std::min(columns, v + shoulder + 1)) - shade[v];
  // A third of the higher side: less could be the blur of a step onto an uneven pane.
  constexpr float kDeep = 0.33F;
  if (std::min(left, right) < kDeep * std::max(left, right)) return step_column;
  const float a = shade[v - 1], b = shade[v], c = shade[v + 1], bend = a - 2 * b + c;
  const double darkest =
      v + (bend > 0 ? std::clamp(0.5 * static_cast<double>((a - c) / bend), -0.5, 0.5) : 0.0);
  const double foot = 1.1 * blur_mm / kStep_mm, away = darkest - step_column;
  return step_column + std::copysign(std::max(0.0, std::abs(away) - foot), away);
}

// Vertex of the parabola through three samples of the change, taken along the colour direction of
// the edge itself, so that noise in other directions cannot pull it.
Samples locate(const Change& change, const Strip& strip, const std::vector<int>& path,
               double along_mm, double blur_mm) {
  // The median of three noisy channels' length is about 1.5 of their sigma: this is nearly 4 sigma,
  // and a stretch counts only when most of its rows pass.
  constexpr float kClear = 2.5F;
  const int rows = strip.root.rows, columns = strip.root.cols;
  Samples out{std::vector<double>(rows), std::vector<bool>(rows),
              std::vector<double>(rows, along_mm), std::vector<double>(rows)};
  for (int i = 0; i < rows; ++i) {
    const int j = std::clamp(path[i], 2, columns - 3);
    const cv::Vec3f u = change.across.at<cv::Vec3f>(i, j);
    const double a = u.dot(change.across.at<cv::Vec3f>(i, j - 1)), b = u.dot(u),
                 c = u.dot(change.across.at<cv::Vec3f>(i, j + 1));
    const double bend = a - 2 * b + c;
    const double shift = bend < 0 ? std::clamp(0.5 * (a - c) / bend, -1.0, 1.0) : 0;
    out.offset_mm[i] =
        strip.offset_mm(contact(change.shade.ptr<float>(i), columns, j + shift, blur_mm));
    out.width_mm[i] = width_cells(change, i, j) * kStep_mm;
    const bool peak = change.size.at<float>(i, j) >= change.size.at<float>(i, j - 2) &&
                      change.size.at<float>(i, j) >= change.size.at<float>(i, j + 2);
    out.seen[i] = peak && strip.blind.at<unsigned char>(i, j) == 0 &&
                  change.size.at<float>(i, j) > kClear * change.noise[i];
  }
  return out;
}

// A run of rows without an edge shorter than this is as good as seen: the smoothing spans it.
constexpr int kShortRun = 6;

void settle_seen(std::vector<bool>& seen) {
  const int n = static_cast<int>(seen.size());
  // An isolated glimpse within a dark stretch is chance as often as not.
  std::vector<double> share(n);
  for (int i = 0; i < n; ++i) {
    int count = 0;
    for (int k = -kShortRun; k <= kShortRun; ++k) count += seen[(i + k + n) % n] ? 1 : 0;
    share[i] = count / (2.0 * kShortRun + 1);
  }
  for (int i = 0; i < n; ++i) seen[i] = seen[i] && share[i] > 0.4;
}

// What a strip is blurred by across the edge.
struct Blur {
  double own_mm = 0, all_mm = 0;
  explicit Blur(double px_mm)
      : own_mm(std::max(0.2, 0.8 * px_mm)),
        all_mm(std::hypot(own_mm, 0.7 * px_mm)) {}  // optics and demosaicing do so by some 0.7 px
};

Samples samples_of(const Strip& strip, const Blur& blur) {
  // The long average as well as the short one: nearly every photo has a faint stretch.
  constexpr std::array<double, 2> kAverages_mm{kAlong_mm, kFaintAlong_mm};
  std::array<Samples, 2> averaged;
  cv::parallel_for_({0, 2}, [&](const cv::Range& range) {
    for (int k = range.start; k < range.end; ++k) {
      const Change change = change_across(strip, kAverages_mm[k], blur.own_mm);
      averaged[k] = locate(change, strip, follow(change, strip), kAverages_mm[k], blur.all_mm);
      settle_seen(averaged[k].seen);
    }
  });
  Samples& out = averaged[0];
  const Samples& faint = averaged[1];
  if (std::count(out.seen.begin(), out.seen.end(), false) <= kShortRun) return std::move(out);
  for (std::size_t i = 0; i < out.seen.size(); ++i) {
    if (out.seen[i] || !faint.seen[i]) continue;
    out.seen[i] = true;
    out.offset_mm[i] = faint.offset_mm[i];
    out.along_mm[i] = faint.along_mm[i];
    out.width_mm[i] = faint.width_mm[i];
  }
  return std::move(out);
}

// What the steps are softer than blur makes them. The sharpest tenth of the boundary shows the
// photo's blur where that is more than optics leave; a quarter more is the scatter of the widths.
std::vector<double> shading(const Samples& samples, double blur_mm) {
  constexpr int kAround = 10;
  constexpr double kScatter = 1.25;
  const int n = static_cast<int>(samples.width_mm.size());
  std::vector<double> width(n), known;
  cv::parallel_for_({0, n}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      std::vector<double> near;
      for (int k = -kAround; k <= kAround; ++k) {
        const int row = ((i + k) % n + n) % n;
        if (samples.seen[row]) near.push_back(samples.width_mm[row]);
      }
      if (!near.empty()) width[i] = median(std::move(near));
    }
  });
  std::copy_if(width.begin(), width.end(), std::back_inserter(known),
               [](double w) { return w > 0; });
  if (known.empty()) return width;
  const auto tenth = known.begin() + static_cast<std::ptrdiff_t>(known.size() / 10);
  std::nth_element(known.begin(), tenth, known.end());
  const double sharp = kScatter * std::max(blur_mm, *tenth);
  for (double& w : width) w = std::sqrt(std::max(0.0, w * w - sharp * sharp));
  return width;
}

struct Smoothed {
  double value = 0, spread = 0;  // spread: weighted sd of the residuals
  double span = 0;               // effective number of rows used
};

// Robust local quadratic (Cleveland 1979): value at a row from the seen rows within reach.
class LocalFit {
 public:
  explicit LocalFit(int reach) : reach_(reach) {
    for (int k = -reach; k <= reach; ++k) {
      const double t = static_cast<double>(k) / reach;
      const double tail = 1 - std::abs(t * t * t) * 0.999;
      place_.push_back(t);
      weight_.push_back(tail * tail * tail);
    }
  }

  Smoothed operator()(const Samples& s, int i, double scale) const {
    const int n = static_cast<int>(s.offset_mm.size());
    std::array<double, 2 * kMostReach + 1> t{}, near{}, value{};
    int count = 0;
    for (int k = -reach_; k <= reach_; ++k) {
      const int row = ((i + k) % n + n) % n;
      if (!s.seen[row]) continue;
      t[count] = place_[k + reach_];
      near[count] = weight_[k + reach_];
      value[count] = s.offset_mm[row];
      ++count;
    }
    Eigen::Vector3d beta(s.offset_mm[i], 0, 0);
    Smoothed out{s.offset_mm[i], 0, 0};
    const double per_scale = 1 / (4 * scale);
    for (int round = 0; round < 4; ++round) {
      std::array<double, 5> power{};  // sums of weight times powers of t
      double v0 = 0, v1 = 0, v2 = 0, sum_r2 = 0, sum_w2 = 0;
      for (int k = 0; k < count; ++k) {
        const double x = t[k], x2 = x * x;
        double w = near[k];
        if (round > 0) {
          const double r = value[k] - (beta[0] + beta[1] * x + beta[2] * x2);
          const double z = r * per_scale, far = std::max(0.0, 1 - z * z);
          w *= far * far;
          sum_r2 += w * r * r;
        }
        power[0] += w;
        power[1] += w * x;
        power[2] += w * x2;
        power[3] += w * x2 * x;
        power[4] += w * x2 * x2;
        v0 += w * value[k];
        v1 += w * x * value[k];
        v2 += w * x2 * value[k];
        sum_w2 += w * w;
      }
      const double sum = power[0];
      if (sum < 3.5) return {s.offset_mm[i], scale, 0};
      Eigen::Matrix3d a;
      a << power[0], power[1], power[2], power[1], power[2], power[3], power[2], power[3], power[4];
      a.diagonal().array() += 1e-9 * sum;
      beta = a.ldlt().solve(Eigen::Vector3d(v0, v1, v2));
      out = {beta[0], std::sqrt(sum_r2 / sum), sum * sum / std::max(sum_w2, 1e-12)};
    }
    return out;
  }

  static constexpr int kMostReach = 20;

 private:
  int reach_;
  std::vector<double> place_, weight_;
};

double robust_scale(const Samples& s) {
  std::vector<double> step;
  const int n = static_cast<int>(s.offset_mm.size());
  for (int i = 0; i < n; ++i) {
    const int j = (i + 6) % n, k = (i + 12) % n;
    if (s.seen[i] && s.seen[j] && s.seen[k]) {
      step.push_back(std::abs(s.offset_mm[i] - 2 * s.offset_mm[j] + s.offset_mm[k]));
    }
  }
  if (step.size() < 20) return 0.2;
  std::nth_element(step.begin(), step.begin() + static_cast<std::ptrdiff_t>(step.size() / 2),
                   step.end());
  // Second difference of independent values: variance 6.
  return std::max(0.02, 1.48 * step[step.size() / 2] / std::sqrt(6.0));
}

struct Run {
  int first, length;
};

std::vector<Run> unseen_runs(const std::vector<bool>& seen) {
  const int n = static_cast<int>(seen.size());
  const auto start = std::find(seen.begin(), seen.end(), true);
  if (start == seen.end()) return {{0, n}};
  const int s0 = static_cast<int>(start - seen.begin());
  std::vector<Run> runs;
  for (int k = 0; k < n; ++k) {
    const int i = (s0 + k) % n;
    if (seen[i]) continue;
    if (!runs.empty() && (runs.back().first + runs.back().length) % n == i && k > 0) {
      ++runs.back().length;
    } else {
      runs.push_back({i, 1});
    }
  }
  return runs;
}

// Offset of another closed curve from each point of this one, along this one's normals; both run
// alongside each other, so that only the neighbourhood of the same share of the way is searched.
std::vector<double> offsets_to(const PolygonMm& curve, const PolygonMm& normals,
                               const PolygonMm& other) {
  const int n = static_cast<int>(curve.size()), m = static_cast<int>(other.size());
  int first = 0;
  for (int j = 1; j < m; ++j) {
    if (distance(other[j], curve[0]) < distance(other[first], curve[0])) first = j;
  }
  const int reach = std::max(20, m / 20);
  std::vector<double> out(n, std::nan(""));
  cv::parallel_for_({0, n}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const int middle = first + static_cast<int>(static_cast<double>(i) * m / n);
      int at = ((middle - reach) % m + m) % m;
      PointMm a = other[at] - curve[i];
      double ca = cross(normals[i], a);
      for (int k = -reach; k <= reach; ++k) {
        at = at + 1 < m ? at + 1 : 0;
        const PointMm b = other[at] - curve[i];
        const double cb = cross(normals[i], b);
        if ((ca > 0) != (cb > 0)) {
          const double along = dot(normals[i], a + ca / (ca - cb) * (b - a));
          if (std::isnan(out[i]) || std::abs(along) < std::abs(out[i])) out[i] = along;
        }
        a = b, ca = cb;
      }
    }
  });
  return out;
}

double mean_width(const std::vector<double>& width, const std::vector<bool>& seen, int row,
                  int step) {
  const int n = static_cast<int>(width.size());
  constexpr int kLook = 12;
  double sum = 0;
  int count = 0;
  for (int k = 0; k < kLook; ++k) {
    const int i = ((row + step * k) % n + n) % n;
    if (!seen[i] || std::isnan(width[i])) continue;
    sum += width[i];
    ++count;
  }
  return count > 0 ? sum / count : std::nan("");
}

// Where most of the way within 15 mm shows the seal's outer edge.
std::vector<bool> settled_outer(const Ribbon& ribbon, int n) {
  constexpr int kAround = static_cast<int>(15 / kRow_mm);
  const int m = static_cast<int>(ribbon.outer_seen.size());
  std::vector<bool> out(n);
  int count = 0;
  const auto seen = [&](int i) {
    const int at = (i % n + n) % n;
    return ribbon.outer_seen[static_cast<std::size_t>(at) * m / n] ? 1 : 0;
  };
  for (int k = -kAround; k <= kAround; ++k) count += seen(k);
  for (int i = 0; i < n; ++i) {
    out[i] = 2 * count > 2 * kAround + 1;
    count += seen(i + kAround + 1) - seen(i - kAround);
  }
  return out;
}

// Middles of parts of a curve that follow each other, from a row on one way; empty where not all of
// that is seen.
PolygonMm middles_of(const PolygonMm& curve, const std::vector<bool>& seen, int row, int way,
                     int parts, double part_mm) {
  const int n = static_cast<int>(curve.size()), rows = static_cast<int>(part_mm / kRow_mm);
  PolygonMm out(parts);
  for (int k = 0; k < parts * rows; ++k) {
    const int i = wrapped(row + way * k, n);
    if (!seen[i]) return {};
    out[k / rows] = out[k / rows] + 1.0 / rows * curve[i];
  }
  return out;
}

PointMm unit(PointMm v) { return 1 / std::max(norm(v), 1e-9) * v; }

// Where a curve heads at a row that a seen stretch ends at, nearly towards a direction: by what it
// does 0 to 90 mm before (way -1) or after (way 1), its bend included, or 0 to 40 mm where a corner
// or what is unseen is nearer than that.
std::optional<PointMm> heading_at(const PolygonMm& curve, const std::vector<bool>& seen, int row,
                                  int way, PointMm across) {
  constexpr double kNearly = 0.985;  // the cosine of 10 degrees
  const PolygonMm bent = middles_of(curve, seen, row, way, 3, 30),
                  straight = middles_of(curve, seen, row, way, 2, 20);
  // The chords head as the curve does 30 and 60 mm away.
  if (!bent.empty()) {
    const PointMm heading = unit(2 * unit(bent[0] - bent[1]) - unit(bent[1] - bent[2]));
    if (dot(heading, across) >= kNearly) return heading;
  }
  if (straight.empty()) return {};
  const PointMm heading = unit(straight[0] - straight[1]);
  if (dot(heading, across) >= kNearly) return heading;
  return {};
}

// Where the seal's outer edge is not seen either, the ribbon's lies anywhere. Between two seen
// stretches that nearly head for each other a cubic joins them (Hermite); a corner is left alone.
void straighten_unseen(const std::vector<bool>& seen, PolygonMm& curve) {
  const int n = static_cast<int>(curve.size());
  const PolygonMm before = curve;
  for (const Run& run : unseen_runs(seen)) {
    if (run.length <= kShortRun || run.length >= n / 3) continue;
    const int first = wrapped(run.first - 1, n), last = wrapped(run.first + run.length, n);
    const PointMm p = before[first], q = before[last], across = unit(q - p);
    const double length = distance(p, q);
    const auto leave = heading_at(before, seen, first, -1, across),
               back = heading_at(before, seen, last, 1, -1.0 * across);
    if (!leave || !back) continue;
    const PointMm arrive = -1.0 * *back;
    for (int k = 0; k < run.length; ++k) {
      const double t = (k + 1.0) / (run.length + 1), u = 1 - t;
      curve[wrapped(run.first + k, n)] = u * u * (1 + 2 * t) * p + t * t * (1 + 2 * u) * q +
                                         (u * u * t * length) * *leave -
                                         (t * t * u * length) * arrive;
    }
  }
}

// Across a gap the glass edge keeps its distance from the seal's outer edge.
// @param outer_seen  whether there is one to be seen; where not, it is what joins its seen parts
void bridge(const Run& run, const Strip& strip, const std::vector<double>& outer_mm,
            const std::vector<bool>& outer_seen, Edge& edge) {
  const int n = static_cast<int>(edge.points.size());
  if (n == 0 || run.length >= n) return;
  std::vector<double> width(n, std::nan(""));
  for (int i = 0; i < n; ++i) {
    if (edge.seen[i])
      width[i] = outer_mm[i] - dot(strip.normals[i], edge.points[i] - strip.curve[i]);
  }
  const double before = mean_width(width, edge.seen, run.first - 1, -1);
  const double after = mean_width(width, edge.seen, run.first + run.length, 1);
  if (std::isnan(before) || std::isnan(after)) return;
  for (int k = 0; k < run.length; ++k) {
    const int i = (run.first + k) % n;
    const double t = (k + 1.0) / (run.length + 1.0);
    // A seal's apparent width changes by some millimetre between one side of a pane and the next;
    // over a shorter gap by as much less.
    const double away = 4 * t * (1 - t) * std::min(1.0, run.length * kRow_mm / 200);
    // What joins them is off in its middle by an eighth of its length times what its two ends may
    // head amiss together: noise, and some 20 mm of bend.
    constexpr double kAmiss_rad = 0.015;
    const bool joined = !outer_seen[static_cast<std::size_t>(i) * outer_seen.size() / n];
    const double joint = joined ? kAmiss_rad / 8 * run.length * kRow_mm * 4 * t * (1 - t) : 0;
    edge.sigma_mm[i] =
        std::hypot(std::hypot(0.3, joint), std::hypot(0.7 * away, 0.25 * (after - before)));
    if (!std::isnan(outer_mm[i])) {
      edge.points[i] =
          strip.curve[i] + (outer_mm[i] - (1 - t) * before - t * after) * strip.normals[i];
    }
  }
}

// Light fades towards the line where a seal meets the glass. Where the photo keeps nothing of the
// last of it, the edge seen lies too far out and is sharper than it ought to be; but the seal then
// looks narrower there than where its edge is sharp, and the contact may be as much further in.
// What is softer than blur for other reasons keeps the width it has elsewhere. Only where some of
// the softness is left: a sharp edge says itself where it is.
void measure_narrowness(const Strip& strip, const std::vector<double>& outer_mm, Edge& edge) {
  constexpr int kAround_rows = 20;  // the ribbon knows widths to whole millimetres
  constexpr double kShare = 0.25;   // of the way with a sharp edge, to say what the width is
  const int n = static_cast<int>(edge.points.size());
  edge.narrower_mm.assign(n, 0);
  std::vector<double> width(n, std::nan("")), sharp;
  for (int i = 0; i < n; ++i) {
    if (!edge.seen[i] || std::isnan(outer_mm[i])) continue;
    width[i] = outer_mm[i] - dot(strip.normals[i], edge.points[i] - strip.curve[i]);
    if (edge.shading_mm[i] == 0) sharp.push_back(width[i]);
  }
  if (static_cast<double>(sharp.size()) < kShare * n) return;
  const double usual = median(std::move(sharp));
  cv::parallel_for_({0, n}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      if (edge.shading_mm[i] == 0) continue;
      std::vector<double> near;
      for (int k = -kAround_rows; k <= kAround_rows; ++k) {
        const double w = width[((i + k) % n + n) % n];
        if (!std::isnan(w)) near.push_back(w);
      }
      if (near.empty()) continue;
      edge.narrower_mm[i] = std::max(0.0, usual - median(std::move(near)));
    }
  });
}

}  // namespace

Edge place_edge(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards,
                const Ribbon& ribbon) {
  PolygonMm curve = resample(smooth_closed(resample(inner_curve(ribbon), 1.0), 3.0), kRow_mm);
  PolygonMm outer = resample(smooth_closed(resample(outer_curve(ribbon), 1.0), 4.0), kRow_mm);
  const std::vector<bool> outer_seen = settled_outer(ribbon, static_cast<int>(outer.size()));
  straighten_unseen(outer_seen, outer);
  Edge edge;
  // The second round starts from a curve good to a tenth of a millimetre and is not led by the
  // first one's grid.
  for (int round = 0; round < 2; ++round) {
    const Strip strip = unwrap(photo, sight, cards, curve, kHalf_mm, kStep_mm);
    const Blur blur(1 / sight.px_per_mm(strip.curve.front()));
    const Samples samples = samples_of(strip, blur);
    edge.shading_mm = shading(samples, blur.all_mm);
    const std::vector<double> outer_mm = offsets_to(strip.curve, strip.normals, outer);
    const double scale = robust_scale(samples);
    const int n = static_cast<int>(strip.curve.size());
    edge.points.resize(n);
    edge.sigma_mm.assign(n, 0);
    edge.seen = samples.seen;
    const LocalFit fine(6), wide(LocalFit::kMostReach);
    cv::parallel_for_({0, n}, [&](const cv::Range& range) {
      for (int i = range.start; i < range.end; ++i) {
        const Smoothed fit = fine(samples, i, scale);
        edge.points[i] = strip.curve[i] + fit.value * strip.normals[i];
        // Rows share blurred pixels: about 2 sqrt(pi) sigma of them count as one.
        const double independent = std::max(1.0, fit.span * kRow_mm / (3.5 * samples.along_mm[i]));
        edge.sigma_mm[i] = std::max(scale, wide(samples, i, scale).spread) / std::sqrt(independent);
      }
    });
    edge.normals = strip.normals;
    for (const Run& run : unseen_runs(edge.seen)) {
      if (run.length >= n / 2) continue;
      if (run.length > kShortRun) {
        bridge(run, strip, outer_mm, outer_seen, edge);
      } else {
        for (int k = 0; k < run.length; ++k) edge.seen[(run.first + k) % n] = true;
      }
    }
    if (round == 0) {
      curve = resample(smooth_closed(edge.points, 1.5), kRow_mm);
    } else {
      measure_narrowness(strip, outer_mm, edge);
    }
  }
  const int n = static_cast<int>(edge.points.size());
  const int m = static_cast<int>(ribbon.outer_seen.size());
  edge.lost.resize(n);
  for (int i = 0; i < n; ++i) {
    edge.lost[i] = !edge.seen[i] && !ribbon.outer_seen[static_cast<std::size_t>(i) * m / n];
  }
  return edge;
}

}  // namespace panecard::trace
