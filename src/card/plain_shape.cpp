#include "card/plain_shape.h"

#include <Eigen/Dense>
#include <cmath>
#include <numbers>

namespace panecard::card {
namespace {

using Points = std::array<Eigen::Vector2d, 4>;
constexpr int kPose = 6;
constexpr int kParameters = kPose + photo::kLensSize + 3;  // and width, height, bloom
constexpr int kRows = 8 + kParameters - kPose;
// Dynamic sizes: unrolled for fixed ones, compiling takes a gigabyte.
using Parameters = Eigen::VectorXd;
using Rows = Eigen::VectorXd;

/// Homography (last entry 1) that takes `from` to `to`.
Eigen::Matrix3d homography(const Points& from, const Points& to) {
  Eigen::MatrixXd a = Eigen::MatrixXd::Zero(8, 8);
  Eigen::VectorXd b(8);
  for (Eigen::Index i = 0; i < 4; ++i) {
    const double x = from[i].x(), y = from[i].y(), u = to[i].x(), v = to[i].y();
    a.row(2 * i) << x, y, 1, 0, 0, 0, -u * x, -u * y;
    a.row(2 * i + 1) << 0, 0, 0, x, y, 1, -v * x, -v * y;
    b(2 * i) = u;
    b(2 * i + 1) = v;
  }
  const Eigen::VectorXd h = a.partialPivLu().solve(b);
  Eigen::Matrix3d out;
  out << h(0), h(1), h(2), h(3), h(4), h(5), h(6), h(7), 1;
  return out;
}

Eigen::Matrix3d rotation_of(const Eigen::Vector3d& v) {
  const double angle = v.norm();
  if (angle < 1e-12) return Eigen::Matrix3d::Identity();
  return Eigen::AngleAxisd(angle, v / angle).toRotationMatrix();
}

/// Residuals of corners and priors, each of unit variance. Parameters: pose, lens, size, bloom.
class Model {
 public:
  Model(const std::array<PointPx, 4>& corner, double sigma_px, double sigma_bloom_px,
        const PlainSize& size, const photo::Lens& lens, bool along_width)
      : sigma_px_(sigma_px), bloom_px_(sigma_bloom_px), size_(size), lens_(lens) {
    Eigen::Vector2d centre = Eigen::Vector2d::Zero();
    for (int i = 0; i < 4; ++i) {
      seen_[i] = {corner[i].x, corner[i].y};
      centre += seen_[i] / 4;
    }
    for (int i = 0; i < 4; ++i)
      outward_[i] = (seen_[i] - centre).normalized() * std::numbers::sqrt2;
    // Clockwise as seen from the camera, y up on the card.
    const std::array<Eigen::Vector2d, 4> wide = {{{-.5, .5}, {.5, .5}, {.5, -.5}, {-.5, -.5}}};
    for (int i = 0; i < 4; ++i) sign_[i] = wide[(i + (along_width ? 0 : 3)) % 4];
    // The parameters are multiples of the prior's sigmas, which also serves a fixed one (variance
    // 0).
    const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(lens.covariance);
    lens_factor_ = eigen.eigenvectors() * eigen.eigenvalues().cwiseMax(0).cwiseSqrt().asDiagonal();
  }

  std::array<PointMm, 4> corner_mm() const {
    std::array<PointMm, 4> out;
    for (int i = 0; i < 4; ++i) {
      out[i] = {sign_[i].x() * size_.width_mm, sign_[i].y() * size_.height_mm};
    }
    return out;
  }

  /// Pose by the homography's columns (Zhang 2000), the rest at its prior mean.
  Parameters start() const {
    Points body, ray;
    for (int i = 0; i < 4; ++i) {
      body[i] = {sign_[i].x() * size_.width_mm, sign_[i].y() * size_.height_mm};
      ray[i] = photo::undistort(lens_.value, {seen_[i].x(), seen_[i].y()});
    }
    Eigen::Matrix3d h = homography(body, ray);
    h *= 2 / (h.col(0).norm() + h.col(1).norm());
    if (h(2, 2) < 0) h = -h;
    Eigen::Matrix3d r;
    r << h.col(0), h.col(1), h.col(0).cross(h.col(1));
    const Eigen::JacobiSVD<Eigen::Matrix3d> svd(r, Eigen::ComputeFullU | Eigen::ComputeFullV);
    const Eigen::Matrix3d rotation = svd.matrixU() * svd.matrixV().transpose();
    const Eigen::AngleAxisd turn(rotation);
    Parameters p = Parameters::Zero(kParameters);
    p.head<3>() = turn.angle() * turn.axis();
    p.segment<3>(3) = h.col(2);
    return p;
  }

  Rows residuals(const Parameters& p) const {
    const Eigen::Matrix3d rotation = rotation_of(p.head<3>());
    const Eigen::Vector3d t = p.segment<3>(3);
    const photo::LensVector lens = lens_.value + lens_factor_ * p.segment<photo::kLensSize>(kPose);
    const double width = size_.width_mm + size_.sigma_width_mm * p(kParameters - 3);
    const double height = size_.height_mm + size_.sigma_height_mm * p(kParameters - 2);
    Rows r(kRows);
    for (Eigen::Index i = 0; i < 4; ++i) {
      const Eigen::Vector3d at =
          rotation * Eigen::Vector3d(sign_[i].x() * width, sign_[i].y() * height, 0) + t;
      const PointPx px = photo::distort(lens, at.x() / at.z(), at.y() / at.z());
      const Eigen::Vector2d moved = outward_[i] * (bloom_px_ * p(kParameters - 1));
      r.segment<2>(2 * i) = (Eigen::Vector2d(px.x, px.y) + moved - seen_[i]) / sigma_px_;
    }
    r.tail<kParameters - kPose>() = p.tail<kParameters - kPose>();
    return r;
  }

 private:
  double sigma_px_, bloom_px_;
  const PlainSize& size_;
  const photo::Lens& lens_;
  Points seen_, sign_, outward_;
  photo::LensMatrix lens_factor_;
};

Parameters solve(const Model& model, Parameters p, int max_turns) {
  Rows r = model.residuals(p);
  double damping = 1e-6;
  for (int turn = 0; turn < max_turns; ++turn) {
    Eigen::MatrixXd jacobian(kRows, kParameters);
    for (int k = 0; k < kParameters; ++k) {
      const double step = k < 3 ? 1e-6 : k < kPose ? 1e-4 : 1e-3;
      Parameters q = p;
      q(k) += step;
      jacobian.col(k) = (model.residuals(q) - r) / step;
    }
    Eigen::MatrixXd normal = jacobian.transpose() * jacobian;
    const Parameters scale = normal.diagonal();
    normal.diagonal() += damping * scale;
    const Parameters move = -normal.ldlt().solve(jacobian.transpose() * r);
    const Rows next = model.residuals(p + move);
    if (!(next.squaredNorm() <= r.squaredNorm())) {  // also when it is not a number
      damping = std::max(damping, 1e-6) * 20;
      if (damping > 1e8) break;
      continue;
    }
    const double gained = r.squaredNorm() - next.squaredNorm();
    p += move;
    r = next;
    damping *= 0.1;
    if (gained < 1e-6 * (1 + r.squaredNorm())) break;
  }
  return p;
}

}  // namespace

ShapeFit fit_rectangle(const std::array<PointPx, 4>& corner, double sigma_px, double sigma_bloom_px,
                       const PlainSize& size, const photo::Lens& lens, bool rough) {
  ShapeFit best;
  const auto side = [&](int e) {
    return std::hypot(corner[(e + 1) % 4].x - corner[e].x, corner[(e + 1) % 4].y - corner[e].y);
  };
  const double ratio = (side(0) + side(2)) / (side(1) + side(3)) * size.height_mm / size.width_mm;
  const double turned = (side(1) + side(3)) / (side(0) + side(2)) * size.height_mm / size.width_mm;
  for (const bool along_width : {true, false}) {
    // Tilt shortens either side; beyond a factor 1.7 (54 deg) this way round is out of question.
    if (std::abs(std::log(along_width ? ratio : turned)) > std::log(1.7)) continue;
    const Model model(corner, sigma_px, sigma_bloom_px, size, lens, along_width);
    const Parameters start = model.start();
    if (!start.allFinite()) continue;
    // The view of a small card is nearly affine: the tilt mirrored at the line of sight is a second
    // minimum, so that both are tried.
    Parameters mirrored = start;
    const Eigen::Matrix3d r = rotation_of(start.head<3>());
    const Eigen::Vector3d sight = start.segment<3>(3).normalized();
    const Eigen::Vector3d flipped = 2 * sight.dot(r.col(2)) * sight - r.col(2);
    const Eigen::Quaterniond turn = Eigen::Quaterniond::FromTwoVectors(r.col(2), flipped);
    const Eigen::AngleAxisd other(turn.toRotationMatrix() * r);
    mirrored.head<3>() = other.angle() * other.axis();
    const int starts = rough ? 1 : 2;
    for (int k = 0; k < starts; ++k) {
      const Parameters p = solve(model, k == 0 ? start : mirrored, rough ? 6 : 25);
      const double chi2 = model.residuals(p).squaredNorm();
      if (!(chi2 < best.chi2) || p(5) <= 0) continue;
      best.chi2 = chi2;
      best.normal = rotation_of(p.head<3>()).col(2);
      best.distance_mm = p.segment<3>(3).norm();
      const double facing = std::abs(best.normal.dot(p.segment<3>(3))) / best.distance_mm;
      best.tilt_deg = std::acos(std::min(1.0, facing)) * 180 / std::numbers::pi;
      best.corner_mm = model.corner_mm();
      best.along_width = along_width;
    }
  }
  return best;
}

PointPx px_on_body(const std::array<PointMm, 4>& corner_mm, const std::array<PointPx, 4>& corner,
                   PointMm p) {
  Points from, to;
  for (int i = 0; i < 4; ++i) {
    from[i] = {corner_mm[i].x, corner_mm[i].y};
    to[i] = {corner[i].x, corner[i].y};
  }
  const Eigen::Vector3d at = homography(from, to) * Eigen::Vector3d(p.x, p.y, 1);
  return {at.x() / at.z(), at.y() / at.z()};
}

}  // namespace panecard::card
