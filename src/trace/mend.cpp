#include "trace/mend.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "trace/edge.h"
#include "trace/uncertainty.h"

namespace panecard::trace {
namespace {

using Index = std::ptrdiff_t;

PointMm at(const PolygonMm& points, Index i) {
  const auto n = static_cast<Index>(points.size());
  return points[static_cast<std::size_t>(((i % n) + n) % n)];
}

Index nearest(const PolygonMm& points, PointMm p) {
  const auto closest = std::min_element(points.begin(), points.end(), [p](PointMm a, PointMm b) {
    return distance(a, p) < distance(b, p);
  });
  return closest - points.begin();
}

/// What takes the place of the points between `first` and `last`, which both stay.
struct Patch {
  Index first = 0, last = 0;  ///< last > first; may exceed the number of points
  PolygonMm points;
  std::vector<double> sigma_mm;
  std::vector<bool> seen;
};

double step_of(const PolygonMm& points) {
  return perimeter_mm(points) / static_cast<double>(points.size());
}

/// The strongest change across the line near a point of the pane.
struct Glimpse {
  double clear = 0;     ///< over the usual change there
  double shift_mm = 0;  ///< how far along the normal it lies
};

Glimpse glimpse(const MendView& view, PointMm p, PointMm normal) {
  constexpr int kHalf = 8, kRows = 3, kNear = 3;
  constexpr double kStep_mm = 0.25;
  const PointMm along{-normal.y, normal.x};
  cv::Mat x(kRows, 2 * kHalf + 1, CV_32F), y(kRows, 2 * kHalf + 1, CV_32F);
  for (int i = 0; i < kRows; ++i) {
    for (int j = -kHalf; j <= kHalf; ++j) {
      const PointPx px = view.eyes.front().sight.px(p + static_cast<double>(i - 1) * along +
                                                    j * kStep_mm * normal);
      x.at<float>(i, j + kHalf) = static_cast<float>(px.x);
      y.at<float>(i, j + kHalf) = static_cast<float>(px.y);
    }
  }
  const cv::Mat root = root_intensity(
      view.eyes.front().photo.sample(x, y, view.eyes.front().sight.px_per_mm(p) * kStep_mm));
  std::vector<double> change;
  double most = 0;
  Glimpse out;
  for (int j = 1; j + 1 < root.cols; ++j) {
    cv::Vec3f sum = cv::Vec3f::all(0);
    for (int i = 0; i < kRows; ++i) {
      sum += root.at<cv::Vec3f>(i, j + 1) - root.at<cv::Vec3f>(i, j - 1);
    }
    change.push_back(std::sqrt(sum.dot(sum)));
    if (std::abs(j - kHalf) > kNear || change.back() <= most) continue;
    most = change.back();
    out.shift_mm = (j - kHalf) * kStep_mm;
  }
  std::nth_element(change.begin(), change.begin() + static_cast<Index>(change.size() / 2),
                   change.end());
  out.clear = most / std::max(change[change.size() / 2], 1e-6);
  return out;
}

/// The edge that was pointed at, as offsets from the old line every kEvery points: as long as it
/// stays clear, and until it meets the old line.
constexpr Index kEvery = 4;

std::vector<double> follow(const MendView& view, const PolygonMm& points, const PolygonMm& normals,
                           Index from, double offset_mm, int way, Index most) {
  constexpr double kClear = 3;  // of the usual change
  constexpr double kMet_mm = 0.5, kHaste = 0.5;
  constexpr std::size_t kMisses = 3;
  std::vector<double> out;
  std::size_t misses = 0;
  for (Index k = kEvery; k <= most && misses < kMisses; k += kEvery) {
    const Index i = from + way * k;
    const Glimpse seen = glimpse(view, at(points, i) + offset_mm * at(normals, i), at(normals, i));
    const bool clear = seen.clear > kClear;
    misses = clear ? 0 : misses + 1;
    if (clear) offset_mm += kHaste * seen.shift_mm;
    out.push_back(offset_mm);
    if (std::abs(offset_mm) < kMet_mm) break;
  }
  out.resize(out.size() - std::min(misses, out.size()));
  return out;
}

/// A line that moves over by some millimetres takes eight times that to do so without a kink.
Index ramp_for(double offset_mm, double step_mm, Index most) {
  return std::min(most,
                  static_cast<Index>(std::clamp(8 * std::abs(offset_mm), 12.0, 90.0) / step_mm));
}

/// Offset of the new line so many points from the one that was pointed at.
double offset_at(const std::vector<double>& offsets, double first_mm, Index away, Index ramp) {
  const auto reached = static_cast<Index>(offsets.size()) * kEvery;
  const auto known = [&](Index k) {
    return k == 0 ? first_mm : offsets[static_cast<std::size_t>(k - 1)];
  };
  if (away < reached) {
    const Index k = away / kEvery;
    const double t = static_cast<double>(away % kEvery) / kEvery;
    return (1 - t) * known(k) + t * known(k + 1);
  }
  const double t = static_cast<double>(away - reached) / static_cast<double>(ramp);
  return known(static_cast<Index>(offsets.size())) *
         (0.5 + 0.5 * std::cos(M_PI * std::min(1.0, t)));
}

/// Where between two lines the edge leaves one for the other nobody saw: halfway it may be anywhere
/// from one to the other (JCGM 100:2008, 4.3.7), at both ends it is on them.
double ramp_sigma_mm(double offset_mm, double whole_mm) {
  if (whole_mm == 0) return 0;
  const double share = offset_mm / whole_mm;
  return std::abs(whole_mm) / std::sqrt(12.0) * std::max(0.0, 4 * share * (1 - share));
}

/// Through a point: the line moves over as far as the edge there runs along, and comes back
/// smoothly.
Patch bent_through(const MendView& view, const PolygonMm& points, PointMm through) {
  const PolygonMm normals = outward_normals(points);
  const auto n = static_cast<Index>(points.size());
  const double step = step_of(points);
  const Index foot = nearest(points, through);
  const double offset = dot(at(normals, foot), through - at(points, foot));
  std::vector<double> before, after;
  constexpr double kAnotherEdge_mm = 1.5;  // nearer, it is the same edge seen more exactly
  if (view.snaps && std::abs(offset) > kAnotherEdge_mm) {
    before = follow(view, points, normals, foot, offset, -1, n / 4);
    after = follow(view, points, normals, foot, offset, 1, n / 4);
  }
  const auto end = [offset](const std::vector<double>& side) {
    return side.empty() ? offset : side.back();
  };
  const Index ramp_before = ramp_for(end(before), step, n / 8),
              ramp_after = ramp_for(end(after), step, n / 8);
  Patch patch{foot - static_cast<Index>(before.size()) * kEvery - ramp_before,
              foot + static_cast<Index>(after.size()) * kEvery + ramp_after,
              {},
              {},
              {}};
  const Index from = patch.first + ramp_before, to = patch.last - ramp_after;
  for (Index i = patch.first + 1; i < patch.last; ++i) {
    const double off = i < foot ? offset_at(before, offset, foot - i, ramp_before)
                                : offset_at(after, offset, i - foot, ramp_after);
    // Beside the edge that was followed all move the same way: normals cross at a tight corner.
    patch.points.push_back(at(points, i) + off * at(normals, std::clamp(i, from, to)));
    const bool on_ramp = i < from || i > to;
    patch.sigma_mm.push_back(on_ramp ? ramp_sigma_mm(off, end(i < from ? before : after)) : 0);
  }
  return patch;
}

/// The patch and a little of the line to both sides, there and back: the finder works round a
/// closed line, and nothing else is to be looked at.
Ribbon there_and_back(const PolygonMm& points, const Patch& patch) {
  constexpr double kBeyond_mm = 30;  // the finder's smoothing and its idea of the noise need some
  const auto beyond = static_cast<Index>(kBeyond_mm / step_of(points));
  PolygonMm line;
  for (Index i = patch.first - beyond; i <= patch.first; ++i) line.push_back(at(points, i));
  line.insert(line.end(), patch.points.begin(), patch.points.end());
  for (Index i = patch.last; i <= patch.last + beyond; ++i) line.push_back(at(points, i));
  for (std::size_t k = line.size() - 1; k-- > 1;) line.push_back(line[k]);
  Ribbon ribbon;
  ribbon.curve = std::move(line);
  ribbon.normals = outward_normals(ribbon.curve);
  constexpr double kSeal_mm = 8;  // only bridges lean on it, and those are not taken
  ribbon.inner_mm.assign(ribbon.curve.size(), 0);
  ribbon.width_mm.assign(ribbon.curve.size(), kSeal_mm);
  ribbon.outer_seen.assign(ribbon.curve.size(), true);
  return ribbon;
}

/// Walks along the first half of a closed line, to the point nearest to each of a line beside it.
class Beside {
 public:
  explicit Beside(const PolygonMm& line) : line_(line) {}
  std::size_t nearest(PointMm p) {
    const std::size_t there = line_.size() / 2;
    if (!at_) {
      const auto closest =
          std::min_element(line_.begin(), line_.begin() + static_cast<Index>(there),
                           [p](PointMm a, PointMm b) { return distance(a, p) < distance(b, p); });
      at_ = static_cast<std::size_t>(closest - line_.begin());
    }
    while (*at_ + 1 < there && distance(line_[*at_ + 1], p) <= distance(line_[*at_], p)) ++*at_;
    return *at_;
  }

 private:
  const PolygonMm& line_;
  std::optional<std::size_t> at_;
};

/// What all photos show there, at the points of the first one's edge: the mean of those that see
/// it, which is off by what they differ by at the least.
Edge edge_along(const MendView& view, const PolygonMm& points, const Patch& patch) {
  const Ribbon ribbon = there_and_back(points, patch);
  std::vector<Edge> all;
  for (const MendEye& eye : view.eyes) {
    all.push_back(place_edge(eye.photo, eye.sight, eye.cards, ribbon));
  }
  Edge out = all.front();
  if (all.size() == 1) return out;
  std::vector<Beside> beside;
  beside.reserve(all.size());
  for (const Edge& edge : all) beside.emplace_back(edge.points);
  const PolygonMm normals = outward_normals(out.points);
  for (std::size_t i = 0; i < out.points.size() / 2; ++i) {
    double weight = 0, off_mm = 0, square = 0;
    for (std::size_t v = 0; v < all.size(); ++v) {
      const std::size_t j = beside[v].nearest(all.front().points[i]);
      if (!all[v].seen[j]) continue;
      const double w = 1 / (all[v].sigma_mm[j] * all[v].sigma_mm[j]);
      const double off = dot(all[v].points[j] - all.front().points[i], normals[i]);
      weight += w, off_mm += w * off, square += w * off * off;
    }
    out.seen[i] = weight > 0;
    if (!out.seen[i]) continue;
    off_mm /= weight;
    const double apart_mm = std::sqrt(std::max(0.0, square / weight - off_mm * off_mm));
    out.points[i] = out.points[i] + off_mm * normals[i];
    out.sigma_mm[i] = std::max(1 / std::sqrt(weight), apart_mm);
  }
  return out;
}

/// The edge that is seen near the patch takes its place. Where none is, the person's line stays:
/// nobody saw an edge there, and it is as good as the pointing.
void snap(const MendView& view, const PolygonMm& points, double pointing_mm, Patch& patch) {
  constexpr double kLeast_mm = 0.3;
  for (double& sigma : patch.sigma_mm) sigma = std::hypot(sigma, pointing_mm, kLeast_mm);
  patch.seen.assign(patch.points.size(), false);
  if (!view.snaps || patch.points.empty()) return;
  const Edge edge = edge_along(view, points, patch);
  Beside beside(edge.points);
  Patch snapped{patch.first, patch.last, {}, {}, {}};
  const auto put = [&snapped](PointMm p, double sigma_mm, bool seen) {
    snapped.points.push_back(p);
    snapped.sigma_mm.push_back(sigma_mm);
    snapped.seen.push_back(seen);
  };
  // What lies further away than pointing misses is not the edge that was meant.
  const double reach_mm = std::max(1.0, 3 * pointing_mm);
  std::optional<std::size_t> last;
  for (std::size_t k = 0; k < patch.points.size(); ++k) {
    const PointMm p = patch.points[k];
    const std::size_t i = beside.nearest(p);
    const bool taken = edge.seen[i] && distance(edge.points[i], p) <
                                           std::hypot(reach_mm, 1);  // points lie 1 mm apart
    if (!taken) put(p, patch.sigma_mm[k], false);
    if (taken && last != i) put(edge.points[i], edge.sigma_mm[i], true);
    if (taken) last = i;
  }
  patch = std::move(snapped);
}

/// The shortest stretch of the line that holds the feet of all points, one after the other.
std::pair<Index, Index> stretch_along(const PolygonMm& points, const PolygonMm& path) {
  const auto n = static_cast<Index>(points.size());
  const Index start = nearest(points, path.front());
  Index here = start, low = start, high = start;
  for (const PointMm& p : path) {
    const Index foot = nearest(points, p);
    Index step = ((foot - here) % n + n) % n;
    if (step > n / 2) step -= n;
    here += step;
    low = std::min(low, here);
    high = std::max(high, here);
  }
  return {low, high};
}

PointMm direction_at(const PolygonMm& points, Index i, int way) {
  constexpr Index kLook = 10;
  const PointMm v = at(points, i) - at(points, i - way * kLook);
  return (way / std::max(norm(v), 1e-9)) * v;
}

/// A cubic from end to end in the directions that the line has there. It may be off by half of
/// what it differs from the chord: the true edge lies between the two as a rule.
Patch bridged(const PolygonMm& points, const PolygonMm& path) {
  const auto n = static_cast<Index>(points.size());
  auto [first, last] = stretch_along(points, path);
  constexpr Index kLeast = 4;
  if (last - first < kLeast) first -= kLeast, last += kLeast;
  last = std::min(last, first + n / 2);
  Patch patch{first, last, {}, {}, {}};
  const PointMm a = at(points, first), b = at(points, last);
  const double chord = distance(a, b), step = step_of(points);
  const PointMm u = chord * direction_at(points, first, 1),
                v = chord * direction_at(points, last, -1);
  const auto count = std::max<Index>(2, std::lround(chord / step));
  for (Index k = 1; k < count; ++k) {
    const double t = static_cast<double>(k) / static_cast<double>(count), t2 = t * t, t3 = t2 * t;
    const PointMm p =
        (2 * t3 - 3 * t2 + 1) * a + (t3 - 2 * t2 + t) * u + (3 * t2 - 2 * t3) * b + (t3 - t2) * v;
    const PointMm straight = (1 - t) * a + t * b;
    const double bow = 4 * t * (1 - t);
    patch.points.push_back(p);
    // As for a bridge over a gap in edge.cpp, and the doubt between chord and curve.
    patch.sigma_mm.push_back(std::hypot(
        0.3, std::hypot(0.7 * bow * std::min(1.0, chord / 200), 0.5 * distance(p, straight))));
    patch.seen.push_back(false);
  }
  return patch;
}

/// A point of the new line, and where on the old one its errors are taken from.
struct Vertex {
  PointMm p;
  double old = 0, sigma_mm = 0, bridge_mm = 0;
  bool seen = true, patched = false;
};

std::vector<Vertex> line_with(const PolygonMm& points, const Contour& before, const Patch& patch) {
  const auto n = static_cast<Index>(points.size());
  std::vector<Vertex> out;
  for (Index i = patch.last; i <= patch.first + n; ++i) {
    const auto k = static_cast<std::size_t>(((i % n) + n) % n);
    out.push_back(
        {points[k], static_cast<double>(i), before.sigma_mm[k], 0, before.seen[k], false});
  }
  const auto count = static_cast<double>(patch.points.size() + 1);
  const auto length = static_cast<double>(patch.last - patch.first);
  for (std::size_t k = 0; k < patch.points.size(); ++k) {
    const double local = std::min(patch.sigma_mm[k], kMostEdgeNoise_mm);
    out.push_back(
        {patch.points[k],
         static_cast<double>(patch.first + n) + length * static_cast<double>(k + 1) / count, local,
         std::sqrt(patch.sigma_mm[k] * patch.sigma_mm[k] - local * local), patch.seen[k], true});
  }
  return out;
}

/// Evenly spaced again, as a contour has to be.
std::vector<Vertex> even(const std::vector<Vertex>& line, double step_mm, double round) {
  std::vector<double> along = {0};
  for (std::size_t i = 0; i < line.size(); ++i) {
    along.push_back(along.back() + distance(line[i].p, line[(i + 1) % line.size()].p));
  }
  const auto count = static_cast<std::size_t>(std::max(3L, std::lround(along.back() / step_mm)));
  std::vector<Vertex> out;
  std::size_t i = 0;
  for (std::size_t k = 0; k < count; ++k) {
    const double s = along.back() * static_cast<double>(k) / static_cast<double>(count);
    while (i + 1 < line.size() && along[i + 1] <= s) ++i;
    const Vertex &a = line[i], &b = line[(i + 1) % line.size()];
    const double length = along[i + 1] - along[i];
    const double t = length > 0 ? (s - along[i]) / length : 0;
    const double b_old = b.old < a.old ? b.old + round : b.old;
    Vertex v = t < 0.5 ? a : b;
    v.p = (1 - t) * a.p + t * b.p;
    v.old = (1 - t) * a.old + t * b_old;
    v.sigma_mm = (1 - t) * a.sigma_mm + t * b.sigma_mm;
    v.bridge_mm = (1 - t) * a.bridge_mm + t * b.bridge_mm;
    out.push_back(v);
  }
  return out;
}

PointMm between(const PolygonMm& values, double index) {
  const auto i = static_cast<Index>(std::floor(index));
  const double t = index - static_cast<double>(i);
  return (1 - t) * at(values, i) + t * at(values, i + 1);
}

/// @param through  a person's point, not a wiped stretch
Contour rebuilt(const MendView& view, const Contour& before, const std::vector<Vertex>& line,
                const PolygonMm& behind, bool through) {
  Contour out;
  out.correlation_length_mm = before.correlation_length_mm;
  std::vector<double> bridge_mm, pointing_mm;
  for (const Vertex& v : line) {
    out.points.push_back(v.p + between(behind, v.old));
    out.points_px.push_back(view.eyes.front().sight.px(v.p));
    out.seen.push_back(v.seen);
    out.sigma_mm.push_back(v.sigma_mm);
    const bool drawn = through && !v.seen;
    bridge_mm.push_back(drawn ? 0 : v.bridge_mm);
    pointing_mm.push_back(drawn ? v.bridge_mm : 0);
  }
  for (std::size_t m = 0; m < before.modes.size(); ++m) {
    const SourceName& source = before.mode_sources[m];
    // What was doubtful there a person has decided.
    const bool decided = source == ErrorSource::bridge || source == ErrorSource::pointing ||
                         source == ErrorSource::edge_choice ||
                         source == ErrorSource::seal_in_shadow;
    PolygonMm mode;
    double most = 0;
    for (const Vertex& v : line) {
      mode.push_back(decided && v.patched ? PointMm{} : between(before.modes[m], v.old));
      most = std::max(most, norm(mode.back()));
    }
    if (most < kNegligible_mm) continue;
    out.modes.push_back(std::move(mode));
    out.mode_sources.push_back(source);
  }
  add_bridge_modes(bridge_mm, ErrorSource::bridge, out);
  add_bridge_modes(pointing_mm, ErrorSource::pointing, out);
  return out;
}

}  // namespace

Result<Contour> mended(const MendView& view, const Contour& before, const Mend& mend) {
  // Where the line is seen on the outer face; what is printed behind the glass lies beside it.
  PolygonMm seen, behind;
  for (std::size_t i = 0; i < before.points.size(); ++i) {
    seen.push_back(card::mm_from_px(*view.plane, before.points_px[i]));
    behind.push_back(before.points[i] - seen.back());
  }
  const auto n = static_cast<double>(seen.size());
  const double step = step_of(seen);
  PolygonMm path;
  for (const PointPx& px : mend.path) {
    const PointMm p = card::mm_from_px(*view.plane, px);
    // Further away than a tenth of the way round it is not the boundary that is meant.
    if (std::isfinite(p.x) && std::isfinite(p.y) &&
        distance(p, at(seen, nearest(seen, p))) < 0.1 * step * n) {
      path.push_back(p);
    }
  }
  if (path.empty()) {
    return Error{Code::bad_usage,
                 "a correction is nowhere near the outline; come closer to it, or take another "
                 "photo if the outline is wrong all over"};
  }
  const bool through = mend.kind == Mend::Kind::through;
  Patch patch = through ? bent_through(view, seen, path.front()) : bridged(seen, path);
  if (through)
    snap(view, seen, mend.sigma_px / view.eyes.front().sight.px_per_mm(path.front()), patch);
  return rebuilt(view, before, even(line_with(seen, before, patch), step, n), behind, through);
}

}  // namespace panecard::trace
