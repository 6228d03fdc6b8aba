#include "outline/shapes.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <numbers>

namespace panecard::test {
namespace {

PointMm unit(PointMm a) { return (1 / norm(a)) * a; }

}  // namespace

double RoundedPolygon::turn_rad(std::size_t k) const {
  const std::size_t n = size();
  const PointMm a = corners[k] - corners[(k + n - 1) % n], b = corners[(k + 1) % n] - corners[k];
  return std::atan2(cross(a, b), dot(a, b));
}

double RoundedPolygon::edge_mm(std::size_t k) const {
  const std::size_t next = (k + 1) % size();
  return distance(corners[k], corners[next]) -
         radius_mm * (std::tan(turn_rad(k) / 2) + std::tan(turn_rad(next) / 2));
}

double RoundedPolygon::area_mm2() const {
  double area = signed_area_mm2(corners);
  for (std::size_t k = 0; k < size(); ++k) {
    area -= radius_mm * radius_mm * (std::tan(turn_rad(k) / 2) - turn_rad(k) / 2);
  }
  return area;
}

double RoundedPolygon::perimeter_mm() const {
  double total = 0;
  for (std::size_t k = 0; k < size(); ++k) total += edge_mm(k) + radius_mm * turn_rad(k);
  return total;
}

PolygonMm RoundedPolygon::points(double step_mm) const {
  const auto count = static_cast<std::size_t>(std::round(perimeter_mm() / step_mm));
  PolygonMm result;
  std::size_t k = 0;
  double before = 0;  // arc length where edge k starts
  for (std::size_t i = 0; i < count; ++i) {
    const double s = perimeter_mm() * static_cast<double>(i) / static_cast<double>(count);
    std::size_t next = (k + 1) % size();
    while (s - before > edge_mm(k) + radius_mm * turn_rad(next)) {
      before += edge_mm(k) + radius_mm * turn_rad(next);
      k = next;
      next = (k + 1) % size();
    }
    const PointMm along = unit(corners[next] - corners[k]), left{-along.y, along.x};
    const PointMm start = corners[k] + radius_mm * std::tan(turn_rad(k) / 2) * along;
    const double on = s - before, turn = (on - edge_mm(k)) / radius_mm;
    if (turn <= 0) {
      result.push_back(start + on * along);
    } else {
      result.push_back(start + (edge_mm(k) + radius_mm * std::sin(turn)) * along +
                       radius_mm * (1 - std::cos(turn)) * left);
    }
  }
  return result;
}

PolygonMm read_points(const std::string& file) {
  std::ifstream in(std::string(PANECARD_TEST_DATA) + "/" + file);
  PolygonMm points;
  for (PointMm p; in >> p.x >> p.y;) points.push_back(p);
  REQUIRE(points.size() > 100);
  return points;
}

double distance_to(const PolygonMm& polygon, PointMm p) {
  double nearest = 1e300;
  for (std::size_t i = 0, j = polygon.size() - 1; i < polygon.size(); j = i++) {
    const PointMm a = polygon[j], along = polygon[i] - a;
    const double t = std::clamp(dot(p - a, along) / dot(along, along), 0.0, 1.0);
    nearest = std::min(nearest, distance(p, a + t * along));
  }
  return nearest;
}

PointPx seen_at(PointMm p) {
  const double w = 1 + 2e-4 * p.x - 1e-4 * p.y, x = p.x / w, y = -p.y / w;
  const double lens = 1 - 3e-8 * (x * x + y * y);
  return {2000 + 3 * x * lens, 1500 + 3 * y * lens};
}

Contour contour_of(const PolygonMm& points, double sigma_mm, double correlation_length_mm) {
  Contour contour;
  contour.points = points;
  contour.seen.assign(points.size(), true);
  contour.sigma_mm.assign(points.size(), sigma_mm);
  contour.correlation_length_mm = correlation_length_mm;
  for (const PointMm p : points) contour.points_px.push_back(seen_at(p));
  return contour;
}

Contour drawn(const Contour& contour, std::mt19937& random) {
  std::normal_distribution<double> normal;
  Contour result = contour;
  const std::size_t n = contour.points.size();
  for (const PolygonMm& mode : contour.modes) {
    const double z = normal(random);
    for (std::size_t i = 0; i < n; ++i) result.points[i] = result.points[i] + z * mode[i];
  }
  const PolygonMm normals = outward_normals(contour.points);
  for (const NoiseMode& bump : noise_modes(contour, 100000)) {
    const double z = normal(random);
    for (std::size_t k = 0; k < bump.along_normal_mm.size(); ++k) {
      const std::size_t i = (bump.first + k) % n;
      result.points[i] = result.points[i] + z * bump.along_normal_mm[k] * normals[i];
    }
  }
  for (std::size_t i = 0; i < n; ++i) result.points_px[i] = seen_at(result.points[i]);
  return result;
}

void add_plane_modes(Contour& contour, double relative_scale) {
  PolygonMm scale, turn, shift, keystone;
  for (const PointMm p : contour.points) {
    scale.push_back(relative_scale * p);
    turn.push_back({-1e-3 * p.y, 1e-3 * p.x});
    shift.push_back({0.2, -0.1});
    keystone.push_back(relative_scale / 500 * p.x * p);
  }
  for (const auto& mode : {scale, turn, shift, keystone}) {
    contour.modes.push_back(mode);
    contour.mode_sources.emplace_back(ErrorSource::corner_noise);
  }
}

TEST_CASE("the test shapes are what they say: perimeter and area against their own points") {
  const RoundedPolygon shape{{{0, 0}, {600, 0}, {560, 400}, {120, 380}}, 30};
  const PolygonMm points = shape.points(0.05);
  CHECK(std::abs(perimeter_mm(points) - shape.perimeter_mm()) <= 1e-3);
  CHECK(std::abs(signed_area_mm2(points) - shape.area_mm2()) <= 0.01);
}

}  // namespace panecard::test
