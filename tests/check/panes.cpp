#include "check/panes.h"

#include <cmath>
#include <numbers>

namespace panecard::check::test {

std::array<PointMm, 4> rectangle(double width_mm, double height_mm) {
  return racked(width_mm, height_mm, 0);
}

std::array<PointMm, 4> racked(double w, double h, double by) {
  return {PointMm{-w / 2 - by / 2, -h / 2},
          {w / 2 - by / 2, -h / 2},
          {w / 2 + by / 2, h / 2},
          {-w / 2 + by / 2, h / 2}};
}

PolygonMm rounded(const std::array<PointMm, 4>& corners, double radius, double step) {
  PolygonMm out;
  for (std::size_t k = 0; k < 4; ++k) {
    const PointMm at = corners[k], before = corners[(k + 3) % 4], after = corners[(k + 1) % 4];
    const PointMm u = (1 / distance(at, before)) * (at - before),
                  v = (1 / distance(after, at)) * (after - at);
    const double turn = std::atan2(cross(u, v), dot(u, v));
    const double cut = radius * std::tan(turn / 2);
    const PointMm start = at - cut * u, centre = start + radius * PointMm{-u.y, u.x};
    const int parts = radius > 0 ? static_cast<int>(std::ceil(radius * turn / step)) + 2 : 0;
    for (int i = 0; i < parts; ++i) {
      const double a = turn * i / parts;
      const PointMm arm = start - centre;
      out.push_back(centre + PointMm{std::cos(a) * arm.x - std::sin(a) * arm.y,
                                     std::sin(a) * arm.x + std::cos(a) * arm.y});
    }
    const PointMm end = at + cut * v;
    const PointMm w = (1 / distance(corners[(k + 2) % 4], after)) * (corners[(k + 2) % 4] - after);
    const double next_cut = radius * std::tan(std::atan2(cross(v, w), dot(v, w)) / 2);
    const double length = distance(end, after) - next_cut;
    const int steps = static_cast<int>(std::ceil(length / step));
    for (int i = 0; i < steps; ++i) out.push_back(end + length * i / steps * v);
  }
  return out;
}

PolygonMm invented(unsigned number) {
  std::mt19937 random(number);
  const auto within = [&](double low, double high) {
    return low + (high - low) * static_cast<double>(random() % 10007) / 10006;
  };
  const double w = within(300, 900), h = within(300, 600);
  return rounded({PointMm{within(-30, 30), within(-20, 20)},
                  {w + within(-40, 40), within(-30, 30)},
                  {w - within(30, 120), h + within(-30, 30)},
                  {within(20, 80), h - within(40, 90)}},
                 within(15, 45));
}

PolygonMm turned(const PolygonMm& points, double rad, PointMm shift) {
  PolygonMm out;
  const double c = std::cos(rad), s = std::sin(rad);
  for (const PointMm p : points)
    out.push_back(PointMm{c * p.x - s * p.y, s * p.x + c * p.y} + shift);
  return out;
}

PolygonMm bowed(const PolygonMm& points, double w, double h, double depth) {
  PolygonMm out;
  for (const PointMm p : points) {
    const double x = 2 * p.x / w, y = 2 * p.y / h;
    out.push_back(
        p + PointMm{std::abs(p.x) > w / 2 - 1e-6 ? std::copysign(depth * (1 - y * y), p.x) : 0,
                    std::abs(p.y) > h / 2 - 1e-6 ? std::copysign(depth * (1 - x * x), p.y) : 0});
  }
  return out;
}

Shape shape_of(const PolygonMm& points, double times) {
  Shape out;
  Contour& c = out.contour;
  c.points = points;
  c.sigma_mm.assign(points.size(), 0.06 * times);
  c.correlation_length_mm = 7;
  const PolygonMm normals = outward_normals(points);
  PointMm middle;
  for (const PointMm p : points) middle = middle + 1.0 / static_cast<double>(points.size()) * p;
  const auto add = [&](ErrorSource source, const auto& shift) {
    PolygonMm mode;
    for (std::size_t i = 0; i < points.size(); ++i)
      mode.push_back(times * shift(points[i] - middle, normals[i]));
    c.modes.push_back(std::move(mode));
    c.mode_sources.emplace_back(source);
  };
  constexpr double kReach_mm = 300;
  add(ErrorSource::print_scale, [](PointMm p, PointMm) { return 5e-4 * p; });
  add(ErrorSource::corner_noise, [](PointMm p, PointMm) { return 2e-4 * PointMm{p.x, -p.y}; });
  add(ErrorSource::corner_noise, [](PointMm p, PointMm) { return 2e-4 * PointMm{p.y, p.x}; });
  add(ErrorSource::corner_noise, [](PointMm p, PointMm) { return 4e-4 / kReach_mm * p.x * p; });
  add(ErrorSource::corner_noise, [](PointMm p, PointMm) { return 4e-4 / kReach_mm * p.y * p; });
  add(ErrorSource::lens,
      [](PointMm p, PointMm) { return 5e-4 / kReach_mm / kReach_mm * dot(p, p) * p; });
  out = with_definition(std::move(out), 0.12 * times);
  out.u95_mm = u95_normal_mm(out.contour);
  return out;
}

Shape with_definition(Shape shape, double sigma_mm) {
  const double each_mm = sigma_mm / std::sqrt(2.0);
  const PolygonMm& points = shape.contour.points;
  const PolygonMm normals = outward_normals(points);
  std::vector<PolygonMm> modes;
  for (int side = 0; side < 8; ++side) {
    modes.emplace_back();
    for (const PointMm n : normals) {
      const double facing = std::atan2(n.y, n.x) / (2 * std::numbers::pi) * 8 - side;
      const double away = std::abs(std::remainder(facing, 8.0));
      modes.back().push_back((away < 1 ? each_mm * std::cos(away * std::numbers::pi / 2) : 0.0) *
                             n);
    }
  }
  Contour drift;
  drift.points = points;
  drift.sigma_mm.assign(points.size(), each_mm);
  drift.correlation_length_mm = 150;
  for (const PolygonMm& mode : all_modes(drift)) modes.push_back(mode);
  for (PolygonMm& mode : modes) {
    shape.contour.modes.push_back(std::move(mode));
    shape.contour.mode_sources.emplace_back(ErrorSource::edge_definition);
  }
  return shape;
}

Shape drawn(const Shape& truth, const std::function<double()>& normal) {
  Shape out = truth;
  PolygonMm& points = out.contour.points;
  for (const PolygonMm& mode : all_modes(truth.contour)) {
    const double by = normal();
    for (std::size_t i = 0; i < points.size(); ++i) points[i] = points[i] + by * mode[i];
  }
  return out;
}

Shape drawn(const Shape& truth, std::mt19937& random) {
  std::normal_distribution<double> normal;
  return drawn(truth, [&] { return normal(random); });
}

}  // namespace panecard::check::test
