#include "layout/convex.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace panecard::layout {
namespace {

using Corners = std::vector<std::size_t>;  ///< of one part, counter-clockwise, indices of points

bool in_triangle(PointMm p, PointMm a, PointMm b, PointMm c) {
  return cross(b - a, p - a) >= 0 && cross(c - b, p - b) >= 0 && cross(a - c, p - c) >= 0;
}

bool is_ear(const PolygonMm& points, const Corners& left, std::size_t k) {
  const std::size_t n = left.size();
  const PointMm a = points[left[(k + n - 1) % n]], b = points[left[k]],
                c = points[left[(k + 1) % n]];
  if (cross(b - a, c - b) <= 0) return false;
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm p = points[left[i]];
    const bool corner = i == k || i == (k + 1) % n || i == (k + n - 1) % n;
    if (!corner && distance(p, a) > 0 && distance(p, c) > 0 && in_triangle(p, a, b, c)) {
      return false;
    }
  }
  return true;
}

/// Ears cut off one by one.
std::vector<Corners> triangles(const PolygonMm& points) {
  Corners left(points.size());
  for (std::size_t i = 0; i < left.size(); ++i) left[i] = i;
  std::vector<Corners> out;
  for (std::size_t n = left.size(); n > 3; --n) {
    std::size_t ear = n;
    for (std::size_t k = 0; k < n && ear == n; ++k) {
      if (is_ear(points, left, k)) ear = k;
    }
    if (ear == n) {  // points on a line and rounding: a flat ear does no harm
      double least = std::numeric_limits<double>::infinity();
      for (std::size_t k = 0; k < n; ++k) {
        const PointMm a = points[left[(k + n - 1) % n]], b = points[left[k]],
                      c = points[left[(k + 1) % n]];
        if (std::abs(cross(b - a, c - b)) < least) {
          least = std::abs(cross(b - a, c - b));
          ear = k;
        }
      }
    }
    out.push_back({left[(ear + n - 1) % n], left[ear], left[(ear + 1) % n]});
    left.erase(left.begin() + static_cast<std::ptrdiff_t>(ear));
  }
  out.push_back(left);
  return out;
}

bool convex(const PolygonMm& points, const Corners& part) {
  const std::size_t n = part.size();
  for (std::size_t k = 0; k < n; ++k) {
    const PointMm a = points[part[k]], b = points[part[(k + 1) % n]], c = points[part[(k + 2) % n]];
    if (cross(b - a, c - b) < 0) return false;
  }
  return true;
}

/// The two parts as one, when they share an edge.
Corners joined(const Corners& a, const Corners& b) {
  for (std::size_t i = 0; i < a.size(); ++i) {
    for (std::size_t j = 0; j < b.size(); ++j) {
      if (a[i] != b[(j + 1) % b.size()] || a[(i + 1) % a.size()] != b[j]) continue;
      Corners out;
      for (std::size_t k = 1; k <= a.size(); ++k) out.push_back(a[(i + k) % a.size()]);
      for (std::size_t k = 2; k < b.size(); ++k) out.push_back(b[(j + k) % b.size()]);
      return out;
    }
  }
  return {};
}

}  // namespace

std::vector<PolygonMm> convex_parts(const PolygonMm& polygon) {
  std::vector<Corners> parts = triangles(polygon);
  for (std::size_t i = 0; i < parts.size(); ++i) {
    for (std::size_t j = i + 1; j < parts.size();) {
      Corners both = joined(parts[i], parts[j]);
      if (both.empty() || !convex(polygon, both)) {
        ++j;
        continue;
      }
      parts[i] = std::move(both);
      parts.erase(parts.begin() + static_cast<std::ptrdiff_t>(j));
      j = i + 1;
    }
  }
  std::vector<PolygonMm> out;
  for (const Corners& part : parts) {
    PolygonMm points;
    for (const std::size_t k : part) points.push_back(polygon[k]);
    if (signed_area_mm2(points) > 0) out.push_back(std::move(points));
  }
  return out;
}

}  // namespace panecard::layout
