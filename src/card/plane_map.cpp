// Projection between image and pane, and its derivatives.

#include <ceres/jet.h>

#include <Eigen/Dense>
#include <cmath>
#include <limits>

#include "card/card.h"

namespace panecard::card {

namespace {

using Eigen::Matrix3d;
using Eigen::Vector2d;
using Eigen::Vector3d;
using Lens = photo::LensVector;

Matrix3d skew(const Vector3d& v) {
  Matrix3d m;
  m << 0, -v.z(), v.y(), v.z(), 0, -v.x(), -v.y(), v.x(), 0;
  return m;
}

Matrix3d rotation(const Vector3d& r) {
  const double angle = r.norm();
  if (angle < 1e-12) return Matrix3d::Identity() + skew(r);
  const Matrix3d k = skew(r / angle);
  return Matrix3d::Identity() + std::sin(angle) * k + (1 - std::cos(angle)) * k * k;
}

/// d(R v)/d r = -R [v]x Jr(r), with the right Jacobian of the rotation group.
Matrix3d rotated_by_vector(const Vector3d& r, const Matrix3d& rot, const Vector3d& v) {
  const double angle = r.norm();
  Matrix3d right = Matrix3d::Identity();
  if (angle > 1e-8) {
    const Matrix3d k = skew(r / angle);
    right += -(1 - std::cos(angle)) / angle * k + (1 - std::sin(angle) / angle) * k * k;
  }
  return -rot * skew(v) * right;
}

/// d(px)/d(direction) and d(px)/d(lens) at the direction (x, y, 1).
struct LensJacobian {
  Eigen::Matrix2d by_direction;
  Eigen::Matrix<double, 2, photo::kLensSize> by_lens;
};

LensJacobian lens_jacobian(const Lens& lens, double x, double y) {
  const double f = lens[photo::kF], p1 = lens[photo::kP1], p2 = lens[photo::kP2];
  const double k1 = lens[photo::kK1], k2 = lens[photo::kK2], k3 = lens[photo::kK3];
  const double r2 = x * x + y * y, radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3));
  const double slope = k1 + r2 * (2 * k2 + 3 * r2 * k3);  // d(radial)/d(r2)
  const double xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x);
  const double yd = y * radial + 2 * p2 * x * y + p1 * (r2 + 2 * y * y);
  LensJacobian s;
  s.by_direction << radial + 2 * slope * x * x + 2 * p1 * y + 6 * p2 * x,
      2 * slope * x * y + 2 * p1 * x + 2 * p2 * y,  //
      2 * slope * x * y + 2 * p2 * y + 2 * p1 * x,
      radial + 2 * slope * y * y + 2 * p2 * x + 6 * p1 * y;
  s.by_direction *= f;
  const Vector2d at(x, y);
  s.by_lens.col(photo::kF) = Vector2d(xd, yd);
  s.by_lens.col(photo::kCx) = Vector2d(1, 0);
  s.by_lens.col(photo::kCy) = Vector2d(0, 1);
  s.by_lens.col(photo::kK1) = f * r2 * at;
  s.by_lens.col(photo::kK2) = f * r2 * r2 * at;
  s.by_lens.col(photo::kK3) = f * r2 * r2 * r2 * at;
  s.by_lens.col(photo::kP1) = f * Vector2d(2 * x * y, r2 + 2 * y * y);
  s.by_lens.col(photo::kP2) = f * Vector2d(r2 + 2 * x * x, 2 * x * y);
  return s;
}

constexpr PointMm kNoPoint{std::numeric_limits<double>::quiet_NaN(),
                           std::numeric_limits<double>::quiet_NaN()};

Lens lens_of(const PlaneVector& value) { return value.segment<photo::kLensSize>(kLensOffset); }

CurvatureTensor<double> bend_of(const PlaneVector& value) {
  return {value[kCurvatureOffset], value[kCurvatureOffset + 1], value[kCurvatureOffset + 2]};
}

Vector3d on_pane(const PlaneVector& value, PointMm p, double height_mm) {
  const Point3<double> at = point_on_surface(bend_of(value), p.x, p.y, height_mm);
  return {at.x, at.y, at.z};
}

/// A point of the face with its derivatives by (x, y) and by the curvature (xx, xy, yy).
struct FacePoint {
  Vector3d at;
  Eigen::Matrix<double, 3, 5> slope;
};

FacePoint face_point_at(const CurvatureTensor<double>& bend, PointMm p, double height_mm) {
  using Jet = ceres::Jet<double, 5>;
  const CurvatureTensor<Jet> k{Jet(bend.xx, 2), Jet(bend.xy, 3), Jet(bend.yy, 4)};
  const Point3<Jet> at = point_on_surface(k, Jet(p.x, 0), Jet(p.y, 1), Jet(height_mm));
  FacePoint point{{at.x.a, at.y.a, at.z.a}, {}};
  point.slope << at.x.v.transpose(), at.y.v.transpose(), at.z.v.transpose();
  return point;
}

/// Intersection of a ray with the bent face: Newton's method from the tangent plane's.
PointMm intersect_bent_face(const CurvatureTensor<double>& bend, const Vector3d& centre,
                            const Vector3d& ray, double range, double height_mm) {
  PointMm p{centre.x() + range * ray.x(), centre.y() + range * ray.y()};
  constexpr int kMostSteps = 20;
  for (int i = 0; i < kMostSteps; ++i) {
    const FacePoint point = face_point_at(bend, p, height_mm);
    Matrix3d slope;
    slope << point.slope.leftCols<2>(), -ray;
    const Vector3d step = slope.partialPivLu().solve(centre + range * ray - point.at);
    if (!step.allFinite()) return kNoPoint;
    p = p + PointMm{step.x(), step.y()};
    range += step.z();
    if (std::hypot(step.x(), step.y()) < 1e-9) return range > 0 ? p : kNoPoint;
  }
  return kNoPoint;
}

}  // namespace

Eigen::Vector3d camera_centre_mm(const PlaneVector& value) {
  return -(rotation(value.head<3>()).transpose() * value.segment<3>(3));
}

Vector3d camera_in_tangent_frame_mm(const PlaneVector& value, PointMm place) {
  const FacePoint point = face_point_at(bend_of(value), place, 0);
  Matrix3d tangent;
  tangent.col(0) = point.slope.col(0).normalized();
  tangent.col(2) = tangent.col(0).cross(point.slope.col(1)).normalized();
  tangent.col(1) = tangent.col(2).cross(tangent.col(0));
  return tangent.transpose() * (camera_centre_mm(value) - point.at);
}

PointMm mm_from_px(const PlaneVector& value, PointPx px, double height_mm) {
  const Vector2d direction = photo::undistort(lens_of(value), px);
  if (!direction.allFinite()) return kNoPoint;
  const Matrix3d rot = rotation(value.head<3>());
  const Vector3d centre = -(rot.transpose() * value.segment<3>(3));
  const Vector3d ray = rot.transpose() * Vector3d(direction.x(), direction.y(), 1);
  const double range = (height_mm - centre.z()) / ray.z();
  if (!std::isfinite(range) || range <= 0) return kNoPoint;
  if (!value.tail<3>().isZero(0)) {
    return intersect_bent_face(bend_of(value), centre, ray, range, height_mm);
  }
  return {centre.x() + range * ray.x(), centre.y() + range * ray.y()};
}

PointPx px_from_mm(const PlaneVector& value, PointMm p, double height_mm) {
  const Vector3d seen =
      rotation(value.head<3>()) * on_pane(value, p, height_mm) + value.segment<3>(3);
  if (seen.z() <= 0) return {kNoPoint.x, kNoPoint.y};
  return photo::distort(lens_of(value), seen.x() / seen.z(), seen.y() / seen.z());
}

PointMm mm_from_px(const Plane& plane, PointPx px, double height_mm) {
  return mm_from_px(plane.value, px, height_mm);
}

PointPx px_from_mm(const Plane& plane, PointMm p, double height_mm) {
  return px_from_mm(plane.value, p, height_mm);
}

// px(parameters, mm) = const, so d(mm) = -(dpx/dmm)^-1 (dpx/dparameters) d(parameters).
Eigen::Matrix<double, 2, kPlaneSize> mm_jacobian(const Plane& plane, PointPx px, double height_mm) {
  const PointMm mm = mm_from_px(plane, px, height_mm);
  const Vector3d r = plane.value.head<3>();
  const FacePoint point = face_point_at(bend_of(plane.value), mm, height_mm);
  const Matrix3d rot = rotation(r);
  const Vector3d seen = rot * point.at + plane.value.segment<3>(3);
  const double x = seen.x() / seen.z(), y = seen.y() / seen.z();
  const LensJacobian lens = lens_jacobian(lens_of(plane.value), x, y);
  Eigen::Matrix<double, 2, 3> direction_by_seen;
  direction_by_seen << 1, 0, -x, 0, 1, -y;
  const Eigen::Matrix<double, 2, 3> by_seen = lens.by_direction * direction_by_seen / seen.z();
  const Eigen::Matrix<double, 2, 5> by_point = by_seen * rot * point.slope;
  Eigen::Matrix<double, 2, kPlaneSize> by_parameters;
  by_parameters << by_seen * rotated_by_vector(r, rot, point.at), by_seen, lens.by_lens,
      by_point.rightCols<3>();
  return -by_point.leftCols<2>().inverse() * by_parameters;
}

}  // namespace panecard::card
