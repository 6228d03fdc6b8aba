#include "trace/band.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <string>

#include "trace/band_bridge.h"
#include "trace/band_pattern.h"
#include "trace/band_strip.h"

namespace panecard::trace {
namespace {

constexpr double kLeastSeen = 0.3;   // of the length
constexpr double kLongestGap = 0.4;  // of the length: beyond, one side's depth speaks for another
constexpr double kNearSigma_mm = 5;  // a finger's or a click's accuracy
constexpr double kRounding_mm = 4;   // of a print's corner where the offset has none (a guess)
constexpr double kCornerSigma_mm = 0.6;
constexpr double kPoint_mm = 1;          // spacing of the result
constexpr double kSightFloor_mm = 0.05;  // the glass edge that depths count from is no better

/// Depths of the user's rough points as strip rows per block; NaN where there are none.
std::vector<double> rows_near(const std::vector<PointPx>& near, const card::Plane& plane,
                              const BandStrip& strip, const BandProfiles& profiles,
                              double thickness_mm) {
  if (near.empty()) return {};
  std::vector<double> rows(static_cast<std::size_t>(profiles.blocks()),
                           std::numeric_limits<double>::quiet_NaN());
  for (const PointPx px : near) {
    const PointMm face = card::mm_from_px(plane, px);
    if (!std::isfinite(face.x) || !std::isfinite(face.y)) continue;
    const PointMm print = face + thickness_mm * print_shift_per_mm(camera_over(plane, face), face);
    std::size_t nearest = 0;
    for (std::size_t i = 1; i < strip.glass.size(); ++i) {
      if (distance(strip.glass[i], print) < distance(strip.glass[nearest], print)) nearest = i;
    }
    const double depth = dot(print - strip.glass[nearest], strip.inward[nearest]);
    const int block =
        std::min(static_cast<int>(nearest) / profiles.block_columns, profiles.blocks() - 1);
    rows[static_cast<std::size_t>(block)] = (depth - strip.first_mm) / strip.row_mm;
  }
  return rows;
}

std::string percent(double part) { return to_text(100 * part, 0) + " %"; }

/// "left 20 %, top 95 %, ...": how much of each side was seen. A side is where the edge faces.
std::string seen_by_side(const BandStrip& strip, const BandProfiles& profiles,
                         const std::vector<BandDepth>& sights) {
  static constexpr std::array<const char*, 4> kSides = {"right", "top", "left", "bottom"};
  std::array<int, 4> all{}, seen{};
  for (std::size_t b = 0; b < sights.size(); ++b) {
    const std::size_t column = b * static_cast<std::size_t>(profiles.block_columns) +
                               static_cast<std::size_t>(profiles.block_columns) / 2;
    const PointMm in = strip.inward[column];
    const double turn = std::atan2(-in.y, -in.x) / (std::numbers::pi / 2);
    const auto side = static_cast<std::size_t>((static_cast<int>(std::lround(turn)) + 4) % 4);
    ++all[side];
    if (sights[b].seen) ++seen[side];
  }
  std::string text;
  for (const std::size_t k : {2U, 1U, 0U, 3U}) {
    if (all[k] == 0) continue;
    text += (text.empty() ? "" : ", ") + std::string(kSides[k]) + " " +
            percent(static_cast<double>(seen[k]) / all[k]);
  }
  return text;
}

struct Coverage {
  double seen = 0, longest_gap = 0;  ///< parts of the length
};

Coverage coverage(const std::vector<BandDepth>& sights) {
  const std::size_t n = sights.size();
  std::size_t count = 0, run = 0, longest = 0;
  for (std::size_t i = 0; i < 2 * n; ++i) {
    const bool seen = sights[i % n].seen;
    run = seen ? 0 : std::min(n, run + 1);
    longest = std::max(longest, run);
    if (seen && i < n) ++count;
  }
  return {static_cast<double>(count) / static_cast<double>(n),
          static_cast<double>(longest) / static_cast<double>(n)};
}

/// One point of the offset curve before its folds are cut out.
struct Raw {
  PointMm at;
  double sigma_mm;
  bool seen, folded;
};

std::vector<Raw> offset_curve(const BandStrip& strip, const std::vector<BandDepth>& depths) {
  const std::size_t n = strip.glass.size(), blocks = depths.size();
  std::vector<Raw> raw(n);
  for (std::size_t i = 0; i < n; ++i) {
    // Stretches are equally long but for the remainder of the division, a part of a column each.
    const double at =
        (static_cast<double>(i) + 0.5) * static_cast<double>(blocks) / static_cast<double>(n) - 0.5;
    const double low = std::floor(at), f = at - low;
    const BandDepth& a =
        depths[static_cast<std::size_t>(low + static_cast<double>(blocks)) % blocks];
    const BandDepth& b =
        depths[static_cast<std::size_t>(low + 1 + static_cast<double>(blocks)) % blocks];
    const double depth = (1 - f) * a.mm + f * b.mm;
    raw[i] = {strip.at(static_cast<int>(i), depth), (1 - f) * a.sigma_mm + f * b.sigma_mm,
              f < 0.5 ? a.seen : b.seen, depth > strip.reach_mm[i]};
  }
  return raw;
}

/// Where segments a-b and c-d cross, as the part of a-b; nullopt when they do not.
std::optional<double> crossing(PointMm a, PointMm b, PointMm c, PointMm d) {
  const PointMm ab = b - a, cd = d - c;
  const double area = cross(ab, cd);
  if (area == 0) return std::nullopt;
  const double t = cross(c - a, cd) / area, u = cross(c - a, ab) / area;
  if (t < 0 || t > 1 || u < 0 || u > 1) return std::nullopt;
  return t;
}

/// Cuts the loops that an offset makes where the edge bends more sharply than its depth: both arms
/// run on to where they meet.
std::vector<Raw> without_folds(std::vector<Raw> raw) {
  constexpr std::size_t kMargin = 16;  // columns: `folded` is known to some millimetres
  const std::size_t n = raw.size();
  std::size_t start = 0, clear = 0;
  for (std::size_t k = 0; k < 2 * n && clear < 2 * kMargin; ++k) {
    clear = raw[k % n].folded ? 0 : clear + 1;
    start = (k + n - kMargin) % n;
  }
  if (clear < 2 * kMargin) return {};
  std::rotate(raw.begin(), raw.begin() + static_cast<std::ptrdiff_t>(start), raw.end());
  std::vector<bool> cut(n, false);
  PolygonMm corners;
  for (std::size_t k = 0; k < n; ++k) {
    if (!raw[k].folded) continue;
    std::size_t end = k;
    while (end < n && raw[end].folded) cut[end++] = true;
    const std::size_t first = k > kMargin ? k - kMargin : 0, last = std::min(n - 1, end + kMargin);
    bool met = false;
    for (std::size_t i = first; i < end && !met; ++i) {
      for (std::size_t j = last; j > i + 2 && !met; --j) {
        const auto t = crossing(raw[i].at, raw[i + 1].at, raw[j - 1].at, raw[j].at);
        if (!t) continue;
        met = true;
        raw[i + 1].at = raw[i].at + *t * (raw[i + 1].at - raw[i].at);
        corners.push_back(raw[i + 1].at);
        for (std::size_t c = first; c <= last; ++c) cut[c] = c > i + 1 && c < j;
      }
    }
    k = std::max(k, last);
  }
  std::vector<Raw> kept;
  for (std::size_t k = 0; k < n; ++k) {
    if (cut[k]) continue;
    kept.push_back(raw[k]);
    for (const PointMm corner : corners) {
      // Rounded by some millimetres, the print leaves a square corner by 0.4 of that radius.
      const double part = 1 - distance(corner, raw[k].at) / kRounding_mm;
      if (part <= 0) continue;
      kept.back().sigma_mm = std::hypot(kept.back().sigma_mm, part * kCornerSigma_mm);
      kept.back().seen = false;
    }
  }
  return kept;
}

/// Evenly spaced points with what belongs to them.
void resample_into(const std::vector<Raw>& raw, BandCurve& curve) {
  PolygonMm line;
  for (const Raw& r : raw) line.push_back(r.at);
  curve.points = resample(line, kPoint_mm);
  std::size_t k = 0;
  for (const PointMm p : curve.points) {
    // Both run the same way round, so the nearest raw point is never far ahead of the last one.
    constexpr std::size_t kAhead = 40;
    std::size_t nearest = k;
    for (std::size_t j = k; j < k + kAhead; ++j) {
      if (distance(raw[j % raw.size()].at, p) < distance(raw[nearest % raw.size()].at, p)) {
        nearest = j;
      }
    }
    k = nearest;
    curve.sigma_mm.push_back(raw[k % raw.size()].sigma_mm);
    curve.seen.push_back(raw[k % raw.size()].seen);
  }
}

Error no_band(const std::string& what) {
  return {Code::boundary_not_seen,
          what + "; put a white sheet or a lamp behind the glass so that the print stands out"};
}

}  // namespace

Result<BandCurve> find_band(const photo::Photo& photo, const card::Plane& plane,
                            const std::vector<card::DetectedCard>& cards, const PolygonMm& glass,
                            const Options& options) {
  constexpr double kLeastPerimeter_mm = 200;
  if (glass.size() < 8 || !(perimeter_mm(glass) > kLeastPerimeter_mm)) {
    return Error{Code::degenerate_shape, "the glass edge is too short to carry a band"};
  }
  const bool want_dots = options.boundary == Boundary::dots;
  const BandStrip strip = unroll_band(photo, plane, cards, glass, options.glass_thickness_mm);
  const BandProfiles profiles = profiles_of(strip);
  const BandTemplate shape = find_template(
      profiles, rows_near(options.near, plane, strip, profiles, options.glass_thickness_mm),
      kNearSigma_mm / strip.row_mm);
  const std::optional<BandPrint> print = read_print(strip, profiles, shape);
  if (!print) return no_band("no printed band follows the glass edge");
  if (want_dots && !print->dots) return no_band("no rows of dots follow the solid band");

  const double per_mm = 1 / strip.row_mm;
  const double mark = want_dots ? print->dots->limit_row : print->solid_row;
  // The rows run parallel to their limit, so all of them tell where it is.
  const double from = want_dots ? print->dots->first_row : mark - 1.25 * per_mm;
  const double to = (want_dots ? print->dots->inner_row : mark) + 1.25 * per_mm;
  std::vector<BandDepth> sights;
  for (const BandSight& sight : locate(profiles, shape, from, to, mark)) {
    sights.push_back({strip.depth_mm(sight.row),
                      std::hypot(sight.sigma_rows * strip.row_mm, kSightFloor_mm), sight.seen});
  }
  const auto enough = [&](const std::vector<BandDepth>& depths) {
    const Coverage c = coverage(depths);
    return c.seen >= kLeastSeen && c.longest_gap <= kLongestGap;
  };
  std::vector<BandDepth> depths = sights;
  if (enough(sights)) depths = bridge(sights, strip.columns() * strip.column_mm);
  const Coverage covered = coverage(depths);
  const std::string sides = seen_by_side(strip, profiles, depths);
  if (!enough(depths)) {
    return no_band(std::string(want_dots ? "the dots' inner limit" : "the solid band's edge") +
                   " is seen on " + percent(covered.seen) + " of its length (" + sides +
                   "), too little to carry the rest");
  }
  const std::vector<Raw> line = without_folds(offset_curve(strip, depths));
  if (line.size() < 8) return no_band("the band leaves no opening in the glass");

  BandCurve curve;
  resample_into(line, curve);
  curve.correlation_length_mm = kBandCorrelation_mm;
  // Blur and sharpening move the steepest place of an edge by a fraction of a photo pixel; a dot's
  // radius comes from its share of light, which the uneven cabin behind it upsets by some tenths.
  constexpr double kEdgeDefinition_mm = 0.1, kRadiusPart = 0.15;
  curve.definition_sigma_mm =
      want_dots ? std::hypot(kEdgeDefinition_mm, kRadiusPart * print->dots->radius_mm)
                : kEdgeDefinition_mm;
  for (const PointMm p : curve.points) {
    const Eigen::Vector3d camera = camera_over(plane, p);
    curve.per_mm_thickness.push_back(
        print_shift_per_mm(camera, face_from_print(camera, p, options.glass_thickness_mm)));
  }
  constexpr double kWorthSaying = 0.95;
  if (covered.seen < kWorthSaying) {
    double widest = 0;
    for (const BandDepth& d : depths) widest = std::max(widest, d.sigma_mm);
    curve.findings.push_back(
        {"band_bridged", "the band was seen on " + percent(covered.seen) + " of its length (" +
                             sides +
                             "); elsewhere it is taken to stay as far from the glass edge, ±" +
                             to_text(2 * widest, 1) + " mm at worst"});
  }
  return curve;
}

}  // namespace panecard::trace
