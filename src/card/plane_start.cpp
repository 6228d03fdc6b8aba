#include "card/plane_start.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/calib3d.hpp>

namespace panecard::card {

namespace {

using Eigen::Matrix3d;
using Eigen::Vector2d;
using Eigen::Vector3d;
using Eigen::VectorXd;

struct Correspondence {
  PointMm on_card;
  Vector2d direction;
};

std::vector<Correspondence> pairs_of(const DetectedCard& card, const photo::Lens& lens) {
  std::vector<Correspondence> pairs;
  const auto add = [&](PointMm on_card, PointPx seen) {
    const Vector2d direction = photo::undistort(lens.value, seen);
    if (direction.allFinite()) pairs.push_back({on_card, direction});
  };
  for (const Corner& corner : card.corners) add(corner.on_card, corner.seen);
  if (pairs.size() < 4 && card.body_px.size() == 4) {
    const double x = 0.5 * card.width_mm, y = 0.5 * card.height_mm;
    const std::array<PointMm, 4> body = {{{-x, y}, {x, y}, {x, -y}, {-x, -y}}};
    for (std::size_t i = 0; i < 4; ++i) add(body[i], card.body_px[i]);
  }
  return pairs;
}

struct Pose {
  Matrix3d rotation;  ///< camera from card
  Vector3d translation;
};

std::optional<Pose> pose_of(const std::vector<Correspondence>& pairs) {
  if (pairs.size() < 4) return std::nullopt;
  std::vector<cv::Point2d> from, to;
  for (const Correspondence& p : pairs) {
    from.emplace_back(p.on_card.x, p.on_card.y);
    to.emplace_back(p.direction.x(), p.direction.y());
  }
  const cv::Mat h = cv::findHomography(from, to, 0);
  if (h.empty()) return std::nullopt;
  const Matrix3d m =
      Eigen::Map<const Eigen::Matrix<double, 3, 3, Eigen::RowMajor>>(h.ptr<double>());
  double scale = 2 / (m.col(0).norm() + m.col(1).norm());
  if (m(2, 2) < 0) scale = -scale;
  Matrix3d rough;
  rough << scale * m.col(0), scale * m.col(1), scale * scale * m.col(0).cross(m.col(1));
  const Eigen::JacobiSVD<Matrix3d> svd(rough, Eigen::ComputeFullU | Eigen::ComputeFullV);
  Pose pose{svd.matrixU() * svd.matrixV().transpose(), scale * m.col(2)};
  if (!pose.rotation.allFinite() || pose.rotation.determinant() < 0) return std::nullopt;
  return pose;
}

/// The second minimum of the pose of a small planar target: its normal mirrored at the line of
/// sight.
Pose mirrored(const Pose& pose) {
  const Vector3d sight = -pose.translation.normalized(), normal = pose.rotation.col(2);
  const Vector3d other = 2 * normal.dot(sight) * sight - normal;
  return {Eigen::Quaterniond::FromTwoVectors(normal, other).toRotationMatrix() * pose.rotation,
          pose.translation};
}

void set_pose(VectorXd& value, const Pose& pose, double thickness_mm) {
  const Eigen::AngleAxisd turn(pose.rotation);
  value.head<3>() = turn.angle() * turn.axis();
  value.segment<3>(3) = pose.translation - thickness_mm * pose.rotation.col(2);
}

/// Rigid motion between the developed frames of two photos.
struct PlanarMotion {
  double turn = 0;
  Vector2d by{0, 0};
};

/// Motion first_from_second, given the pose (x, y, turn) of one card in both frames.
PlanarMotion motion_between(const Vector3d& first, const Vector3d& second) {
  const double turn = first.z() - second.z();
  return {turn, first.head<2>() - Eigen::Rotation2Dd(turn) * second.head<2>()};
}

Vector3d pose_on_pane(const PlaneProblem& problem, const VectorXd& value, int body) {
  return value.segment<3>(problem.body_index(body, kX));
}

/// Writes camera_from_plane for the joint frame, given that for the photo's own frame.
void set_moved_pose(const PlanarMotion& own_from_joint, const PlaneVector& own, VectorXd& value,
                    int at) {
  const Vector3d turn = own.head<3>();
  const double angle = turn.norm();
  Matrix3d rotation = Matrix3d::Identity();
  if (angle > 0) rotation = Eigen::AngleAxisd(angle, turn / angle).toRotationMatrix();
  const Matrix3d own_turned =
      Eigen::AngleAxisd(own_from_joint.turn, Vector3d::UnitZ()).toRotationMatrix();
  const Eigen::AngleAxisd joint(Matrix3d(rotation * own_turned));
  value.segment<3>(at) = joint.angle() * joint.axis();
  value.segment<3>(at + 3) =
      own.segment<3>(3) + rotation * Vector3d(own_from_joint.by.x(), own_from_joint.by.y(), 0);
}

}  // namespace

std::optional<VectorXd> initial_value(const std::vector<DetectedCard>& cards,
                                      const photo::Lens& lens) {
  const auto pose = pose_of(pairs_of(cards.front(), lens));
  if (!pose) return std::nullopt;
  const std::vector<DetectedCard> first = {cards.front()};
  const PlaneProblem alone(first, lens);
  const std::array<Pose, 2> candidates{*pose, mirrored(*pose)};
  std::array<std::optional<Fit>, 2> fits;
  cv::parallel_for_({0, 2}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      VectorXd value = alone.mean();
      set_pose(value, candidates[i], cards.front().thickness_mm);
      fits[i] = alone.solve(value, alone.free_parameters(), 1, {}, 12);
    }
  });
  std::optional<Fit>& best =
      fits[1] && (!fits[0] || fits[1]->chi2 < fits[0]->chi2) ? fits[1] : fits[0];
  if (!best) return std::nullopt;

  const PlaneProblem problem(cards, lens);
  VectorXd value = problem.mean();
  value.head<kPlaneSize>() = best->value.head<kPlaneSize>();
  const PlaneVector plane = value.head<kPlaneSize>();
  for (std::size_t i = 1; i < cards.size(); ++i) {
    const auto pairs = pairs_of(cards[i], lens);
    Vector2d card_mean(0, 0), pane_mean(0, 0);
    double along = 0, across = 0;
    std::vector<Vector2d> on_pane;
    for (const Correspondence& p : pairs) {
      const PointPx px = photo::distort(lens.value, p.direction.x(), p.direction.y());
      const PointMm mm = mm_from_px(plane, px, cards[i].thickness_mm);
      if (!std::isfinite(mm.x) || !std::isfinite(mm.y)) return std::nullopt;
      on_pane.emplace_back(mm.x, mm.y);
      card_mean += Vector2d(p.on_card.x, p.on_card.y);
      pane_mean += on_pane.back();
    }
    if (pairs.size() < 4) return std::nullopt;
    card_mean /= static_cast<double>(pairs.size());
    pane_mean /= static_cast<double>(pairs.size());
    for (std::size_t k = 0; k < pairs.size(); ++k) {
      const Vector2d a = Vector2d(pairs[k].on_card.x, pairs[k].on_card.y) - card_mean;
      const Vector2d b = on_pane[k] - pane_mean;
      along += a.dot(b);
      across += a.x() * b.y() - a.y() * b.x();
    }
    const double turn = std::atan2(across, along);
    value[problem.body_index(static_cast<int>(i), kTurn)] = turn;
    const Vector2d place = pane_mean - Eigen::Rotation2Dd(turn) * card_mean;
    value[problem.body_index(static_cast<int>(i), kX)] = place.x();
    value[problem.body_index(static_cast<int>(i), kY)] = place.y();
  }
  return value;
}

std::optional<VectorXd> joint_initial_value(const PlaneProblem& joint,
                                            const std::vector<View>& views,
                                            const std::vector<Fit>& own) {
  VectorXd value = joint.mean();
  value.head<6>() = own[0].value.head<6>();
  value.segment<photo::kLensSize>(joint.lens_index(0)) =
      own[0].value.segment<photo::kLensSize>(kLensOffset);
  std::vector<bool> known(static_cast<std::size_t>(joint.bodies()), false);
  std::vector<bool> placed(views.size(), false);
  for (std::size_t round = 0; round < views.size(); ++round) {
    for (std::size_t v = 0; v < views.size(); ++v) {
      if (placed[v]) continue;
      const PlaneProblem alone(views[v].cards, views[v].lens);
      std::vector<int> bodies;
      for (const Observation& g : joint.observations()) {
        if (g.view == static_cast<int>(v)) bodies.push_back(g.body);
      }
      std::optional<PlanarMotion> joint_from_own, own_from_joint;
      if (v == 0) joint_from_own = own_from_joint = PlanarMotion{};
      for (std::size_t i = 0; i < bodies.size() && !joint_from_own; ++i) {
        if (!known[static_cast<std::size_t>(bodies[i])]) continue;
        const Vector3d here = pose_on_pane(alone, own[v].value, static_cast<int>(i));
        const Vector3d there = pose_on_pane(joint, value, bodies[i]);
        joint_from_own = motion_between(there, here);
        own_from_joint = motion_between(here, there);
      }
      if (!joint_from_own) continue;
      placed[v] = true;
      if (v > 0) {
        set_moved_pose(*own_from_joint, own[v].value.head<kPlaneSize>(), value,
                       joint.pose_index(static_cast<int>(v)));
      }
      for (std::size_t i = 0; i < bodies.size(); ++i) {
        if (known[static_cast<std::size_t>(bodies[i])]) continue;
        known[static_cast<std::size_t>(bodies[i])] = true;
        const Vector3d here = pose_on_pane(alone, own[v].value, static_cast<int>(i));
        const Vector2d there =
            joint_from_own->by + Eigen::Rotation2Dd(joint_from_own->turn) * here.head<2>();
        value.segment<3>(joint.body_index(bodies[i], kX)) << there, here.z() + joint_from_own->turn;
      }
    }
  }
  if (std::find(placed.begin(), placed.end(), false) != placed.end()) return std::nullopt;
  return value;
}

}  // namespace panecard::card
