// Retrieval of an outline: by moments first, then by registration to the few nearest.
#include <algorithm>
#include <cmath>

#include "fusion/moments.h"

namespace panecard::fusion {
namespace {

/// Coverage factor for `places` independent differences together, 95 % (Sidak 1967).
double simultaneous_factor(double places) {
  const double beyond = 1 - std::pow(0.95, 1 / std::max(1.0, places));
  double low = 0, high = 10;
  for (int i = 0; i < 60; ++i) {
    const double middle = (low + high) / 2;
    (std::erfc(middle / std::sqrt(2.0)) > beyond ? low : high) = middle;
  }
  return high;
}

PolygonMm mirrored(const PolygonMm& outline) {
  PolygonMm out(outline.rbegin(), outline.rend());
  for (PointMm& p : out) p.x = -p.x;
  return out;
}

}  // namespace

Query::Query(const check::Shape& shape)
    : correlation_mm_(shape.contour.correlation_length_mm),
      moments_(moments_of(shape.contour.points)),
      noise_(noise_of(shape.contour.points)) {
  constexpr double kPoints = 160;
  const PolygonMm& outline = shape.contour.points;
  points_ = resample(outline, perimeter_mm(outline) / kPoints);
  flipped_ = mirrored(points_);
  for (const PointMm p : points_) {
    std::size_t nearest = 0;
    for (std::size_t i = 1; i < outline.size(); ++i) {
      if (distance(outline[i], p) < distance(outline[nearest], p)) nearest = i;
    }
    u95_mm_.push_back(shape.u95_mm.empty() ? 0 : shape.u95_mm[nearest]);
  }
}

Similarity Query::similarity_to(const check::Shape& other, const Rotation& rotation) const {
  const PolygonMm& reference = other.contour.points;
  const PolygonMm& points = rotation.mirrored ? flipped_ : points_;
  check::Motion start{rotation.rad, {}};
  start.shift = centroid(reference) - start.turned(centroid(points));
  const check::Motion motion = check::register_from(points, reference, start);
  PolygonMm registered;
  registered.reserve(points.size());
  for (const PointMm p : points) registered.push_back(motion(p));
  Similarity out;
  out.mirrored = rotation.mirrored;
  double worst = 0;
  const std::vector<check::Gap> gaps = check::gaps_to(reference, registered);
  for (std::size_t i = 0; i < gaps.size(); ++i) {
    const double mine = u95_mm_[rotation.mirrored ? gaps.size() - 1 - i : i];
    const double u95 = std::hypot(mine, other.u95_mm[gaps[i].before]);
    const double gap = std::abs(gaps[i].mm);
    out.rms_mm += gap * gap / static_cast<double>(gaps.size());
    worst = std::max(worst, gap / std::max(u95, 1e-6));
    if (gap > out.gap_mm) out.gap_mm = gap, out.gap_u95_mm = u95;
  }
  out.rms_mm = std::sqrt(out.rms_mm);
  const double correlation_mm = std::max(1.0, correlation_mm_);
  const double places = perimeter_mm(points) / correlation_mm;
  out.within_u95 = 2 * worst <= simultaneous_factor(places);
  return out;
}

std::vector<Query::Candidate> Query::candidates(const std::vector<Moments>& shapes,
                                                std::size_t most) const {
  constexpr std::size_t kRotated = 400;
  std::vector<std::pair<float, std::size_t>> order(shapes.size());
  for (std::size_t i = 0; i < shapes.size(); ++i) {
    order[i] = {rotation_invariant_distance_mm2(moments_, shapes[i], noise_), i};
  }
  const auto end = order.begin() + static_cast<std::ptrdiff_t>(std::min(kRotated, order.size()));
  std::partial_sort(order.begin(), end, order.end());
  std::vector<Candidate> out;
  for (auto it = order.begin(); it != end; ++it) {
    out.push_back({it->second, best_rotation(moments_, shapes[it->second], noise_)});
  }
  std::stable_sort(out.begin(), out.end(), [](const Candidate& a, const Candidate& b) {
    return a.rotation.distance_mm < b.rotation.distance_mm;
  });
  out.resize(std::min(out.size(), most));
  return out;
}

}  // namespace panecard::fusion
