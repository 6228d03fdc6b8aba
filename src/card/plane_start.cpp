#include "card/plane_start.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <opencv2/calib3d.hpp>

namespace panecard::card {

namespace {

using Eigen::Matrix3d;
using Eigen::Vector2d;
using Eigen::Vector3d;
using Eigen::VectorXd;

struct Pair {
  PointMm on_card;
  Vector2d direction;
};

std::vector<Pair> pairs_of(const Sighting& card, const photo::Lens& lens) {
  std::vector<Pair> pairs;
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

std::optional<Pose> pose_of(const std::vector<Pair>& pairs) {
  if (pairs.size() < 4) return std::nullopt;
  std::vector<cv::Point2d> from, to;
  for (const Pair& p : pairs) {
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

/// The other pose that looks nearly the same: the card's normal mirrored at the line of sight.
Pose flipped(const Pose& pose) {
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

}  // namespace

std::optional<VectorXd> start_value(const std::vector<Sighting>& cards, const photo::Lens& lens) {
  const auto pose = pose_of(pairs_of(cards.front(), lens));
  if (!pose) return std::nullopt;
  const std::vector<Sighting> first = {cards.front()};
  const PlaneProblem alone(first, lens);
  std::optional<Fit> best;
  for (const Pose& candidate : {*pose, flipped(*pose)}) {
    VectorXd value = alone.mean();
    set_pose(value, candidate, cards.front().thickness_mm);
    const auto fit = alone.solve(value, alone.free_parameters(), 1, {}, 12);
    if (fit && (!best || fit->chi2 < best->chi2)) best = fit;
  }
  if (!best) return std::nullopt;

  VectorXd value = PlaneProblem(cards, lens).mean();
  value.head<kPlaneSize>() = best->value.head<kPlaneSize>();
  const PlaneVector plane = value.head<kPlaneSize>();
  for (std::size_t i = 1; i < cards.size(); ++i) {
    const auto pairs = pairs_of(cards[i], lens);
    Vector2d card_mean(0, 0), pane_mean(0, 0);
    double along = 0, across = 0;
    std::vector<Vector2d> on_pane;
    for (const Pair& p : pairs) {
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
    value[card_index(i, kTurn)] = turn;
    const Vector2d place = pane_mean - Eigen::Rotation2Dd(turn) * card_mean;
    value[card_index(i, kX)] = place.x();
    value[card_index(i, kY)] = place.y();
  }
  return value;
}

}  // namespace panecard::card
