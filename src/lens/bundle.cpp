#include "lens/bundle.h"

#include <ceres/ceres.h>
#include <ceres/rotation.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <opencv2/calib3d.hpp>

namespace panecard::lens {

namespace {

using Eigen::Matrix3d;
using Eigen::Vector3d;

constexpr double kHuber = 3;           // sigmas
constexpr double kSigmaAspect = 3e-4;  // of a print: machine direction of the paper against across

struct CornerResidual {
  card::Corner corner;

  template <typename T>
  bool operator()(const T* lens, const T* pose, const T* aspect, T* residual) const {
    const T board[3] = {corner.on_card.x * (1.0 + aspect[0]), corner.on_card.y * (1.0 - aspect[0]),
                        T(0)};
    T p[3];
    ceres::AngleAxisRotatePoint(pose, board, p);
    p[0] += pose[3], p[1] += pose[4], p[2] += pose[5];
    if (p[2] < 1e-6) return false;
    const T x = p[0] / p[2], y = p[1] / p[2], r2 = x * x + y * y;
    const T radial =
        1.0 + r2 * (lens[photo::kK1] + r2 * (lens[photo::kK2] + r2 * lens[photo::kK3]));
    const T &p1 = lens[photo::kP1], &p2 = lens[photo::kP2];
    const T xd = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x);
    const T yd = y * radial + 2.0 * p2 * x * y + p1 * (r2 + 2.0 * y * y);
    residual[0] = (lens[photo::kF] * xd + lens[photo::kCx] - corner.seen.x) / corner.sigma_px;
    residual[1] = (lens[photo::kF] * yd + lens[photo::kCy] - corner.seen.y) / corner.sigma_px;
    return true;
  }
};

struct AspectPrior {
  template <typename T>
  bool operator()(const T* aspect, T* residual) const {
    residual[0] = aspect[0] / kSigmaAspect;
    return true;
  }
};

double rms_px(const Bundle& bundle, std::size_t view, const std::vector<card::Corner>& corners) {
  double sum = 0;
  for (card::Corner corner : corners) {
    corner.sigma_px = 1;
    double r[2] = {0, 0};
    CornerResidual{corner}(bundle.lens.data(), bundle.poses[view].data(), &bundle.aspect, r);
    sum += r[0] * r[0] + r[1] * r[1];
  }
  return std::sqrt(sum / static_cast<double>(corners.size()));
}

std::optional<Matrix3d> homography(const View& view, double cx, double cy) {
  std::vector<cv::Point2d> from, to;
  for (const card::Corner& corner : view.corners) {
    from.emplace_back(corner.on_card.x, corner.on_card.y);
    to.emplace_back(corner.seen.x - cx, corner.seen.y - cy);
  }
  if (from.size() < 4) return std::nullopt;
  const cv::Mat h = cv::findHomography(from, to, 0);
  if (h.empty()) return std::nullopt;
  const Matrix3d m =
      Eigen::Map<const Eigen::Matrix<double, 3, 3, Eigen::RowMajor>>(h.ptr<double>());
  if (!m.allFinite()) return std::nullopt;
  return m;
}

Pose pose_of(const Matrix3d& h, double focal_px) {
  Matrix3d m = h;
  m.topRows<2>() /= focal_px;
  double scale = 2 / (m.col(0).norm() + m.col(1).norm());
  if (m(2, 2) < 0) scale = -scale;
  Matrix3d rough;
  rough << scale * m.col(0), scale * m.col(1), scale * scale * m.col(0).cross(m.col(1));
  const Eigen::JacobiSVD<Matrix3d> svd(rough, Eigen::ComputeFullU | Eigen::ComputeFullV);
  const Matrix3d rotation = svd.matrixU() * svd.matrixV().transpose();
  const Eigen::AngleAxisd turn(rotation);
  Pose pose;
  pose << turn.angle() * turn.axis(), scale * m.col(2);
  return pose;
}

}  // namespace

std::optional<Bundle> initial_bundle(const std::vector<View>& views, int width_px, int height_px) {
  const double cx = 0.5 * width_px, cy = 0.5 * height_px;
  std::vector<Matrix3d> homographies;
  // The board's axes are perpendicular and equally long in space: two equations in 1/f^2 per view
  // (Zhang 2000, section 3.1, with the principal point known).
  double weight = 0, sum = 0;
  for (const View& view : views) {
    const auto h = homography(view, cx, cy);
    if (!h) return std::nullopt;
    homographies.push_back(*h);
    const Matrix3d n = *h / h->col(0).norm();
    const Vector3d a = n.col(0), b = n.col(1);
    const double skew = a.head<2>().dot(b.head<2>()), skew_z = a.z() * b.z();
    const double size = a.head<2>().squaredNorm() - b.head<2>().squaredNorm();
    const double size_z = a.z() * a.z() - b.z() * b.z();
    weight += skew * skew + size * size;
    sum -= skew * skew_z + size * size_z;
  }
  const double longest = std::max(width_px, height_px);
  double focal_px = sum > 0 && weight > 0 ? std::sqrt(weight / sum) : 0;
  if (!(focal_px > 0.3 * longest && focal_px < 10 * longest)) focal_px = 0.8 * longest;
  Bundle bundle;
  bundle.lens << focal_px, cx, cy, 0, 0, 0, 0, 0;
  for (const Matrix3d& h : homographies) bundle.poses.push_back(pose_of(h, focal_px));
  return bundle;
}

std::optional<Solution> solve(const Bundle& from, const std::vector<View>& views,
                              const std::vector<int>& free) {
  Solution result;
  result.bundle = from;
  Bundle& bundle = result.bundle;
  ceres::Problem problem;
  std::size_t residuals = 0;
  for (std::size_t i = 0; i < views.size(); ++i) {
    for (const card::Corner& corner : views[i].corners) {
      problem.AddResidualBlock(
          new ceres::AutoDiffCostFunction<CornerResidual, 2, photo::kLensSize, 6, 1>(
              new CornerResidual{corner}),
          new ceres::HuberLoss(kHuber), bundle.lens.data(), bundle.poses[i].data(), &bundle.aspect);
      residuals += 2;
    }
  }
  problem.AddResidualBlock(new ceres::AutoDiffCostFunction<AspectPrior, 1, 1>(new AspectPrior),
                           nullptr, &bundle.aspect);
  std::vector<int> fixed;
  for (int i = 0; i < photo::kLensSize; ++i) {
    if (std::find(free.begin(), free.end(), i) == free.end()) fixed.push_back(i);
  }
  if (!fixed.empty()) {
    problem.SetManifold(bundle.lens.data(), new ceres::SubsetManifold(photo::kLensSize, fixed));
  }

  ceres::Solver::Options options;
  options.linear_solver_type = ceres::DENSE_SCHUR;
  options.logging_type = ceres::SILENT;
  options.max_num_iterations = 100;
  options.function_tolerance = 1e-10;
  options.num_threads = 1;
  ceres::Solver::Summary summary;
  ceres::Solve(options, &problem, &summary);
  if (summary.termination_type != ceres::CONVERGENCE || !bundle.lens.allFinite())
    return std::nullopt;

  ceres::Covariance::Options covariance_options;
  covariance_options.algorithm_type = ceres::DENSE_SVD;
  covariance_options.null_space_rank = 0;
  ceres::Covariance covariance(covariance_options);
  Eigen::Matrix<double, photo::kLensSize, photo::kLensSize, Eigen::RowMajor> block;
  const std::vector<std::pair<const double*, const double*>> wanted = {
      {bundle.lens.data(), bundle.lens.data()}};
  if (!covariance.Compute(wanted, &problem) ||
      !covariance.GetCovarianceBlock(bundle.lens.data(), bundle.lens.data(), block.data())) {
    return std::nullopt;
  }
  result.covariance = block;
  result.cost = 2 * summary.final_cost;
  result.degrees_of_freedom =
      static_cast<double>(residuals) - static_cast<double>(free.size() + 6 * views.size());
  for (std::size_t i = 0; i < views.size(); ++i) {
    result.view_rms_px.push_back(rms_px(bundle, i, views[i].corners));
  }
  return result;
}

}  // namespace panecard::lens
