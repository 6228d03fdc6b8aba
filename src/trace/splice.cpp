#include "trace/splice.h"

#include <algorithm>
#include <cmath>

#include "trace/polar.h"

namespace panecard::trace {
namespace {

PolygonMm curve_at(PointMm middle, const std::vector<double>& distance_mm) {
  PolygonMm curve;
  curve.reserve(kRays);
  for (int ray = 0; ray < kRays; ++ray) {
    curve.push_back(middle + distance_mm[ray] * direction(ray));
  }
  return curve;
}

// Values at a closed curve's points, at the rays between them; `value` may be empty for the
// distance itself.
std::vector<double> at_rays(PointMm middle, const PolygonMm& curve,
                            const std::vector<double>& value) {
  std::vector<double> out(kRays, std::nan(""));
  const std::size_t n = curve.size();
  const auto turn = [&](std::size_t i) {
    return std::atan2(curve[i].y - middle.y, curve[i].x - middle.x) / kTurn;
  };
  const auto at = [&](std::size_t i) {
    return value.empty() ? distance(curve[i], middle) : value[i];
  };
  for (std::size_t i = 0; i < n; ++i) {
    const std::size_t j = (i + 1) % n;
    const double from = turn(i);
    double to = turn(j);
    if (to < from - kRays / 2.0) to += kRays;
    if (to > from + kRays / 2.0) to -= kRays;
    for (int ray = static_cast<int>(std::ceil(from)); ray <= std::floor(to); ++ray) {
      const double t = to > from ? (ray - from) / (to - from) : 0;
      out[wrapped(ray, kRays)] = (1 - t) * at(i) + t * at(j);
    }
  }
  // A curve that turns back leaves rays without a value: the one before holds.
  for (int ray = 0; ray < 2 * kRays; ++ray) {
    double& here = out[ray % kRays];
    if (std::isnan(here)) here = out[(ray + kRays - 1) % kRays];
  }
  return out;
}

}  // namespace

Around seen_from(PointMm middle, const Ribbon& ribbon) {
  const PolygonMm inner = inner_curve(ribbon);
  return {at_rays(middle, inner, {}), at_rays(middle, outer_curve(ribbon), {}),
          at_rays(middle, inner, ribbon.sure)};
}

PolygonMm inner_curve(PointMm middle, const Around& around) {
  return curve_at(middle, around.inner_mm);
}

PolygonMm outer_curve(PointMm middle, const Around& around) {
  return curve_at(middle, around.outer_mm);
}

double plausibility(PointMm middle, const Around& around) {
  constexpr double kPerShare = 60;  // one part in sixty of the hull weighs as a quarter of an edge
  const PolygonMm curve = inner_curve(middle, around);
  double sum = 0, length = 0;
  for (int ray = 0; ray < kRays; ++ray) {
    const double step = distance(curve[ray], curve[(ray + 1) % kRays]);
    sum += step * around.sure[ray];
    length += step;
  }
  const double hull_mm2 = signed_area_mm2(convex_hull(curve));
  return sum / length - kPerShare * (1 - signed_area_mm2(curve) / hull_mm2);
}

std::vector<Rays> partings(const Around& a, const Around& b) {
  constexpr double kApart_mm = 4, kTogether_mm = 2;
  const auto off = [&](int ray) {
    const int k = ray % kRays;
    return std::max(std::abs(a.inner_mm[k] - b.inner_mm[k]),
                    std::abs(a.outer_mm[k] - b.outer_mm[k]));
  };
  int start = 0;
  while (start < kRays && off(start) > kTogether_mm) ++start;
  if (start == kRays) return {{0, kRays}};
  std::vector<Rays> out;
  for (int ray = start; ray < start + kRays; ++ray) {
    if (off(ray) <= kTogether_mm) continue;
    Rays stretch{ray, 0};
    double most = 0;
    for (; ray < start + kRays && off(ray) > kTogether_mm; ++ray) {
      most = std::max(most, off(ray));
      ++stretch.count;
    }
    if (most > kApart_mm) out.push_back(stretch);
  }
  return out;
}

Around with_stretch(Around base, const Around& other, const Rays& stretch) {
  for (int k = 0; k < stretch.count; ++k) {
    const int ray = (stretch.first + k) % kRays;
    base.inner_mm[ray] = other.inner_mm[ray];
    base.outer_mm[ray] = other.outer_mm[ray];
    base.sure[ray] = other.sure[ray];
  }
  return base;
}

Around splice(PointMm middle, const std::vector<Around>& all) {
  std::size_t best = 0;
  double score = plausibility(middle, all[0]);
  for (std::size_t i = 1; i < all.size(); ++i) {
    const double other = plausibility(middle, all[i]);
    if (other > score) {
      score = other;
      best = i;
    }
  }
  Around out = all[best];
  // A second round, for stretches that part only from what the first has put together.
  for (int round = 0; round < 2; ++round) {
    for (const Around& other : all) {
      for (const Rays& stretch : partings(out, other)) {
        Around tried = with_stretch(out, other, stretch);
        const double now = plausibility(middle, tried);
        if (now <= score) continue;
        score = now;
        out = std::move(tried);
      }
    }
  }
  return out;
}

}  // namespace panecard::trace
