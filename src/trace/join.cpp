#include "trace/join.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>

#include "trace/strip.h"

namespace panecard::trace {
namespace {

constexpr double kReach_mm = 20;  // further apart, it is another curve

/// Where one photo's curve crosses a normal of the reference.
struct Crossing {
  double offset_mm = std::numeric_limits<double>::quiet_NaN();
  double edge_mm = 0;   ///< standard uncertainty of the edge alone
  double sigma_mm = 0;  ///< with the plane's
  double definition_mm = 0;
  bool seen = false;
  PointMm per_mm_thickness;
  bool there() const { return std::isfinite(offset_mm); }
};

Crossing crossing(const Sketch& other, const std::vector<double>& plane_sigma, PointMm at,
                  PointMm normal, std::size_t& near) {
  const std::size_t n = other.points.size();
  const PointMm along{-normal.y, normal.x};
  Crossing best;
  // The curves run side by side, so the crossing is near the last one; a lost trail is sought anew.
  const auto scan = [&](std::size_t first, std::size_t count) {
    for (std::size_t k = 0; k < count; ++k) {
      const std::size_t i = (first + k) % n, j = (i + 1) % n;
      const PointMm a = other.points[i] - at, b = other.points[j] - at;
      const double sa = dot(a, along), sb = dot(b, along);
      if ((sa > 0) == (sb > 0)) continue;
      const double t = sa / (sa - sb);
      const double offset = dot(a, normal) + t * (dot(b, normal) - dot(a, normal));
      if (std::abs(offset) > kReach_mm) continue;
      if (best.there() && std::abs(best.offset_mm) <= std::abs(offset)) continue;
      best.offset_mm = offset;
      best.edge_mm = std::max(other.sigma_mm[i], other.sigma_mm[j]);
      // How clearly a rounded seal's edge shows depends on where it is seen from.
      best.definition_mm = other.definition_mm[i];
      best.sigma_mm = std::hypot(best.edge_mm, plane_sigma[i], best.definition_mm);
      best.seen = other.seen[i] && other.seen[j];
      if (!other.per_mm_thickness.empty()) best.per_mm_thickness = other.per_mm_thickness[i];
      near = i;
    }
  };
  constexpr std::size_t kWindow = 60;
  scan((near + n - std::min(n, kWindow / 2) % n) % n, std::min(n, kWindow));
  if (!best.there()) scan(0, n);
  return best;
}

double mean_of(const std::vector<std::vector<Crossing>>& all, const std::vector<bool>& out,
               std::size_t i, std::size_t without) {
  double sum = 0, weight = 0;
  for (std::size_t v = 0; v < all.size(); ++v) {
    const Crossing& c = all[v][i];
    if (v == without || out[v] || !c.there()) continue;
    const double w = 1 / (c.sigma_mm * c.sigma_mm);
    sum += w * c.offset_mm;
    weight += w;
  }
  return weight > 0 ? sum / weight : std::numeric_limits<double>::quiet_NaN();
}

double sigma_of_mean(const std::vector<std::vector<Crossing>>& all, const std::vector<bool>& out,
                     std::size_t i, std::size_t without) {
  double weight = 0;
  for (std::size_t v = 0; v < all.size(); ++v) {
    if (v == without || out[v] || !all[v][i].there()) continue;
    weight += 1 / (all[v][i].sigma_mm * all[v][i].sigma_mm);
  }
  return weight > 0 ? 1 / std::sqrt(weight) : 0;
}

struct Disagreement {
  double length_mm = 0, most_mm = 0;
  PointMm where;
};

/// Runs of true shorter than `shortest` become false, and gaps as short are closed.
void clean_runs(std::vector<bool>& flags, std::size_t shortest) {
  const std::size_t n = flags.size();
  for (const bool value : {false, true}) {
    std::size_t start = 0;
    while (start < n && flags[start] == value) ++start;
    if (start == n) continue;
    std::size_t run = 0;
    for (std::size_t k = 1; k <= n; ++k) {
      const std::size_t i = (start + k) % n;
      if (flags[i] == value) {
        ++run;
        continue;
      }
      for (std::size_t q = 1; run < shortest && q <= run; ++q) flags[(i + n - q) % n] = !value;
      run = 0;
    }
  }
}

/// Which stretches of which photo contradict the others. outside[v][i].
std::vector<std::vector<bool>> find_outside(const std::vector<std::vector<Crossing>>& all,
                                            std::size_t n, double step_mm) {
  constexpr double kFar = 3.5;  // of what both sides' uncertainty allows
  constexpr double kShortest_mm = 8;
  const std::size_t photos = all.size();
  const auto shortest = static_cast<std::size_t>(std::ceil(kShortest_mm / step_mm));
  std::vector<std::vector<bool>> outside(photos, std::vector<bool>(n, false));
  for (std::size_t i = 0; i < n; ++i) {
    std::vector<bool> out(photos, false);
    for (std::size_t round = 0; round + 2 < photos || (photos == 2 && round == 0); ++round) {
      std::size_t worst = photos;
      double most = kFar;
      for (std::size_t v = 0; v < photos; ++v) {
        if (out[v] || !all[v][i].there()) continue;
        const double rest = mean_of(all, out, i, v);
        const double sigma = std::hypot(all[v][i].sigma_mm, sigma_of_mean(all, out, i, v));
        const double far = std::abs(all[v][i].offset_mm - rest) / sigma;
        if (std::isfinite(far) && far > most) most = far, worst = v;
      }
      if (worst == photos) break;
      out[worst] = true;
    }
    for (std::size_t v = 0; v < photos; ++v) outside[v][i] = out[v];
  }
  for (std::vector<bool>& flags : outside) clean_runs(flags, shortest);
  return outside;
}

/// Weights of the photos at one point, 0 where `out`, so that the mean's variance is the least.
/// What is not alike in the photos is independent; how far the visible edge may lie from the meant
/// one is the same light on the same seal, alike in all as far as each is unclear about it. A photo
/// that would count below 0, being less clear in both, counts not at all.
std::vector<double> least_variance(const std::vector<std::vector<Crossing>>& all, std::size_t i,
                                   std::vector<bool> out) {
  std::vector<double> weight(all.size(), 0);
  for (bool again = true; again;) {
    // (D + d d')^-1 1 by Sherman and Morrison.
    double per_d = 0, per_d2 = 0;
    for (std::size_t v = 0; v < all.size(); ++v) {
      if (out[v]) continue;
      const Crossing& c = all[v][i];
      const double own = c.sigma_mm * c.sigma_mm - c.definition_mm * c.definition_mm;
      per_d += c.definition_mm / own;
      per_d2 += c.definition_mm * c.definition_mm / own;
    }
    again = false;
    for (std::size_t v = 0; v < all.size(); ++v) {
      weight[v] = 0;
      if (out[v]) continue;
      const Crossing& c = all[v][i];
      const double own = c.sigma_mm * c.sigma_mm - c.definition_mm * c.definition_mm;
      weight[v] = (1 - c.definition_mm * per_d / (1 + per_d2)) / own;
      if (weight[v] < 0) out[v] = again = true;
    }
  }
  return weight;
}

/// Weights that fade in and out where a photo comes and goes, or the curve would have steps.
std::vector<double> faded(const std::vector<double>& weight, std::size_t reach) {
  const std::size_t n = weight.size();
  std::vector<double> out(n, 0);
  for (std::size_t i = 0; i < n; ++i) {
    double least = weight[i], sum = 0;
    for (std::size_t k = 0; k <= 2 * reach; ++k) {
      const double w = weight[(i + n + k - reach) % n];
      sum += w;
      least = std::min(least, w);
    }
    out[i] = weight[i] > 0 ? sum / static_cast<double>(2 * reach + 1) : 0;
    if (least == 0) {  // towards an end of the stretch: down to nothing
      std::size_t to_end = reach;
      for (std::size_t k = 0; k <= 2 * reach; ++k) {
        const std::size_t away = k > reach ? k - reach : reach - k;
        if (weight[(i + n + k - reach) % n] == 0) to_end = std::min(to_end, away);
      }
      out[i] *= static_cast<double>(to_end) / static_cast<double>(reach);
    }
  }
  return out;
}

void report(const std::vector<std::vector<bool>>& outside,
            const std::vector<std::vector<Crossing>>& all, const Sketch& first, double step_mm,
            std::vector<Finding>& findings) {
  const std::size_t n = first.points.size();
  const PointMm middle = middle_of(first.points);
  for (std::size_t v = 0; v < all.size(); ++v) {
    Disagreement d;
    for (std::size_t i = 0; i < n; ++i) {
      if (!outside[v][i]) continue;
      d.length_mm += step_mm;
      const std::vector<bool> none(all.size(), false);
      const double apart = std::abs(all[v][i].offset_mm - mean_of(all, none, i, v));
      if (apart > d.most_mm) d.most_mm = apart, d.where = first.points[i];
    }
    if (d.length_mm == 0) continue;
    const bool pair = all.size() == 2;
    findings.push_back(
        {"photos_disagree", "photo " + std::to_string(v + 1) + " differs from the " +
                                (pair ? "other" : "others") + " by up to " + to_text(d.most_mm, 1) +
                                " mm at the " + side_name(middle, d.where) + ", " +
                                to_text(d.length_mm, 0) + " mm of the way" +
                                (pair ? "; both were kept and the ± covers it: take a third photo"
                                      : "; it was left out there")});
    if (pair) break;
  }
}

}  // namespace

const char* side_name(PointMm middle, PointMm p) {
  const double x = p.x - middle.x, y = p.y - middle.y;
  if (std::abs(x) > 2 * std::abs(y)) return x > 0 ? "right" : "left";
  if (std::abs(y) > 2 * std::abs(x)) return y > 0 ? "top" : "bottom";
  if (y > 0) return x > 0 ? "top right" : "top left";
  return x > 0 ? "bottom right" : "bottom left";
}

Joined join(const std::vector<Sketch>& photos,
            const std::vector<std::vector<double>>& plane_sigma_mm) {
  const std::size_t n = photos[0].points.size();
  Joined out;
  out.sketch = photos[0];
  out.weight.assign(photos.size(), std::vector<double>(n, 0));
  if (photos.size() == 1) {
    out.weight[0].assign(n, 1);
    return out;
  }
  const PolygonMm normals = outward_normals(photos[0].points);
  const double step_mm = perimeter_mm(photos[0].points) / static_cast<double>(n);
  std::vector<std::vector<Crossing>> all(photos.size(), std::vector<Crossing>(n));
  for (std::size_t v = 0; v < photos.size(); ++v) {
    std::size_t near = 0;
    for (std::size_t i = 0; i < n; ++i) {
      all[v][i] = crossing(photos[v], plane_sigma_mm[v], photos[0].points[i], normals[i], near);
    }
    if (v > 0) {
      out.sketch.findings.insert(out.sketch.findings.end(), photos[v].findings.begin(),
                                 photos[v].findings.end());
    }
  }
  const auto outside = find_outside(all, n, step_mm);
  report(outside, all, photos[0], step_mm, out.sketch.findings);

  constexpr double kFade_mm = 10;
  const auto reach = std::max<std::size_t>(1, static_cast<std::size_t>(kFade_mm / step_mm));
  const bool drop = photos.size() > 2;
  for (std::size_t i = 0; i < n; ++i) {
    std::vector<bool> left_out(photos.size());
    for (std::size_t v = 0; v < photos.size(); ++v) {
      left_out[v] = !all[v][i].there() || (drop && outside[v][i]);
    }
    const std::vector<double> weight = least_variance(all, i, left_out);
    for (std::size_t v = 0; v < photos.size(); ++v) out.weight[v][i] = weight[v];
  }
  for (std::vector<double>& weight : out.weight) weight = faded(weight, reach);
  for (std::size_t i = 0; i < n; ++i) {
    double total = 0;
    for (const std::vector<double>& w : out.weight) total += w[i];
    if (total == 0) out.weight[0][i] = total = 1;
    double offset = 0, variance = 0, apart = 0, definition = 0;
    PointMm thickness{};
    bool seen = false;
    for (std::size_t v = 0; v < photos.size(); ++v) {
      double& w = out.weight[v][i];
      w /= total;
      if (w == 0 || !all[v][i].there()) continue;
      offset += w * all[v][i].offset_mm;
      variance += w * w * all[v][i].edge_mm * all[v][i].edge_mm;
      definition += w * all[v][i].definition_mm;
      thickness = thickness + w * all[v][i].per_mm_thickness;
      seen = seen || all[v][i].seen;
    }
    for (std::size_t v = 0; v < photos.size() && !drop; ++v) {
      if (outside[v][i]) apart = std::max(apart, std::abs(all[v][i].offset_mm - offset));
    }
    out.sketch.points[i] = photos[0].points[i] + offset * normals[i];
    out.sketch.sigma_mm[i] = std::max(std::sqrt(variance), apart);
    out.sketch.seen[i] = seen;
    out.sketch.definition_mm[i] = definition;
    if (!out.sketch.per_mm_thickness.empty()) out.sketch.per_mm_thickness[i] = thickness;
  }
  return out;
}

}  // namespace panecard::trace
