#include "support/curve_match.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace panecard::support {
namespace {

struct Nearest {
  PointMm at;
  double distance_mm = 0;
};

Nearest nearest_on(const PolygonMm& polygon, PointMm p) {
  Nearest best{polygon.front(), distance(polygon.front(), p)};
  for (std::size_t i = 0; i < polygon.size(); ++i) {
    const PointMm a = polygon[i], along = polygon[(i + 1) % polygon.size()] - a;
    const double length2 = dot(along, along);
    const double t = length2 > 0 ? std::clamp(dot(p - a, along) / length2, 0.0, 1.0) : 0;
    const PointMm q = a + t * along;
    const double d = distance(p, q);
    if (d < best.distance_mm) best = {q, d};
  }
  return best;
}

PolygonMm every(const PolygonMm& polygon, std::size_t wanted) {
  return resample(polygon, perimeter_mm(polygon) / static_cast<double>(wanted));
}

PointMm mean_of(const PolygonMm& points) {
  PointMm sum;
  for (const PointMm& p : points) sum = sum + p;
  return (1.0 / static_cast<double>(points.size())) * sum;
}

struct Rigid {
  double turn_rad = 0;
  PointMm from, to;
  PointMm operator()(PointMm p) const {
    const PointMm v = p - from;
    const double c = std::cos(turn_rad), s = std::sin(turn_rad);
    return to + PointMm{c * v.x - s * v.y, s * v.x + c * v.y};
  }
};

/// Iterates until the pairs stop moving; returns the mean square distance.
double refine(const PolygonMm& points, const PolygonMm& truth, int rounds, Rigid& lay) {
  double mean_square = 0;
  for (int round = 0; round < rounds; ++round) {
    PolygonMm goals;
    mean_square = 0;
    for (const PointMm& p : points) {
      const Nearest hit = nearest_on(truth, lay(p));
      goals.push_back(hit.at);
      mean_square += hit.distance_mm * hit.distance_mm / static_cast<double>(points.size());
    }
    const PointMm from = mean_of(points), to = mean_of(goals);
    double sine = 0, cosine = 0;
    for (std::size_t i = 0; i < points.size(); ++i) {
      sine += cross(points[i] - from, goals[i] - to);
      cosine += dot(points[i] - from, goals[i] - to);
    }
    lay = {std::atan2(sine, cosine), from, to};
  }
  return mean_square;
}

}  // namespace

CurveMatch match_curves(const PolygonMm& measured, const PolygonMm& truth) {
  const PolygonMm few = every(measured, 60), coarse = every(truth, 200);
  Rigid best;
  double best_square = -1;
  for (int turn = 0; turn < 360; turn += 30) {
    Rigid lay{turn * std::numbers::pi / 180, mean_of(few), mean_of(coarse)};
    const double square = refine(few, coarse, 15, lay);
    if (best_square < 0 || square < best_square) {
      best_square = square;
      best = lay;
    }
  }
  refine(every(measured, 300), truth, 30, best);

  CurveMatch match;
  for (const PointMm& p : measured) match.laid.push_back(best(p));
  std::vector<double> distances;
  for (const PointMm& p : every(match.laid, 600)) {
    distances.push_back(nearest_on(truth, p).distance_mm);
  }
  for (const PointMm& p : every(truth, 600)) {
    distances.push_back(nearest_on(match.laid, p).distance_mm);
  }
  std::sort(distances.begin(), distances.end());
  match.median_mm = distances[distances.size() / 2];
  match.p95_mm = distances[distances.size() * 95 / 100];
  match.max_mm = distances.back();
  return match;
}

}  // namespace panecard::support
