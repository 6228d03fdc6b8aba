#include <Eigen/LU>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "photo/photo.h"

namespace panecard::photo {
namespace {

struct Distorted {
  Eigen::Vector2d at;
  Eigen::Matrix2d jacobian;
};

Distorted distort_with_jacobian(const LensVector& lens, double x, double y) {
  const double k1 = lens[kK1], k2 = lens[kK2], k3 = lens[kK3], p1 = lens[kP1], p2 = lens[kP2];
  const double r2 = x * x + y * y;
  const double radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3));
  const double slope = k1 + r2 * (2 * k2 + 3 * r2 * k3);  // d(radial)/d(r2)
  Distorted d;
  d.at = {x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
          y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y};
  const double across = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y;
  d.jacobian << radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x, across, across,
      radial + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x;
  return d;
}

/// Whether r + k1 r^3 + k2 r^5 + k3 r^7 still grows everywhere from the centre out to r2_end. Its
/// slope is a cubic in s = r^2, so the ends and the cubic's own turning points decide.
bool monotonic(const LensVector& lens, double r2_end) {
  const double a = 3 * lens[kK1], b = 5 * lens[kK2], c = 7 * lens[kK3];
  const auto grows_at = [&](double s) { return 1 + s * (a + s * (b + s * c)) > 0; };
  if (!grows_at(r2_end)) return false;
  const double discriminant = b * b - 3 * a * c;
  if (discriminant < 0) return true;
  // Roots of a + 2 b s + 3 c s^2 in the form that survives c = 0.
  const double q = -(b + std::copysign(std::sqrt(discriminant), b));
  for (const double s : {q / (3 * c), a / q}) {
    if (s > 0 && s < r2_end && !grows_at(s)) return false;
  }
  return true;
}

/// 43.27 mm: the diagonal of 36 x 24, which CIPA DCG-001 makes the base of the 35 mm equivalent.
const double kDiagonal35_mm = std::hypot(36.0, 24.0);

/// Relative standard uncertainty of f from the 35 mm equivalent; docs/photo.md gives the reasons.
double sigma_of_equivalent(double focal_35mm) {
  const double rounding = 1 / (std::sqrt(12.0) * focal_35mm);  // a whole number of mm
  const double focusing = 0.005;  // the tag holds at infinity, the photo was taken near a metre
  const double by_width = 0.009;  // some makers scale by the frame's width: 3.9 % at 4:3
  return std::hypot(rounding, focusing, by_width);
}

LensMatrix turn_matrix(int quarter_turns) {
  LensMatrix turn = LensMatrix::Identity();
  LensMatrix quarter = LensMatrix::Identity();
  quarter.block<2, 2>(kCx, kCx) << 0, -1, 1, 0;  // clockwise on the screen, as y points down
  quarter.block<2, 2>(kP1, kP1) << 0, 1, -1, 0;  // (p2, p1) turns as (x, y) does
  for (int i = 0; i < quarter_turns; ++i) turn = quarter * turn;
  return turn;
}

/// About the frame's centre, so that turning and scaling are linear maps.
LensVector frame_centre(int width_px, int height_px) {
  LensVector centre = LensVector::Zero();
  centre[kCx] = 0.5 * width_px;
  centre[kCy] = 0.5 * height_px;
  return centre;
}

}  // namespace

PointPx distort(const LensVector& lens, double x, double y) {
  const Eigen::Vector2d d = distort_with_jacobian(lens, x, y).at;
  return {lens[kF] * d.x() + lens[kCx], lens[kF] * d.y() + lens[kCy]};
}

Eigen::Vector2d undistort(const LensVector& lens, PointPx px) {
  constexpr int kMaxSteps = 50, kMaxHalvings = 10;
  constexpr double kTolerance = 1e-9;  // quadratic: what remains after such a step is rounding
  const double nan = std::numeric_limits<double>::quiet_NaN();
  const Eigen::Vector2d wanted((px.x - lens[kCx]) / lens[kF], (px.y - lens[kCy]) / lens[kF]);
  Eigen::Vector2d at = wanted;
  Distorted now = distort_with_jacobian(lens, at.x(), at.y());
  for (int i = 0; i < kMaxSteps; ++i) {
    const Eigen::Vector2d miss = now.at - wanted;
    Eigen::Vector2d step = now.jacobian.inverse() * miss;
    if (!step.allFinite()) break;
    if (step.squaredNorm() <= kTolerance * kTolerance) {
      const bool on_first_branch =
          now.jacobian.determinant() > 0 && monotonic(lens, at.squaredNorm());
      if (on_first_branch) return at - step;
      break;
    }
    Distorted next = distort_with_jacobian(lens, at.x() - step.x(), at.y() - step.y());
    for (int halvings = 0; halvings < kMaxHalvings; ++halvings) {
      if ((next.at - wanted).squaredNorm() < miss.squaredNorm()) break;
      step /= 2;
      next = distort_with_jacobian(lens, at.x() - step.x(), at.y() - step.y());
    }
    at -= step;
    now = next;
  }
  return {nan, nan};
}

Lens lens_from_exif(const Exif& exif, int width_px, int height_px) {
  constexpr double kUsualEquivalent_mm = 26;  // a phone's main camera
  constexpr double kSigmaUnknown = 0.15;      // covers main cameras from 22 to 30 mm within one sd
  constexpr double kSigmaCentre = 0.01;       // of the width
  constexpr double kSigmaRadial = 0.03;
  constexpr double kSigmaTangential = 0.0005;
  Lens lens;
  lens.make = exif.make;
  lens.model = exif.model;
  lens.width_px = width_px;
  lens.height_px = height_px;
  lens.orientation = exif.orientation;
  lens.value = frame_centre(width_px, height_px);
  const double diagonal_px = std::hypot(width_px, height_px);
  lens.value[kF] = exif.focal_35mm.value_or(kUsualEquivalent_mm) / kDiagonal35_mm * diagonal_px;
  const double sigma_f = exif.focal_35mm ? sigma_of_equivalent(*exif.focal_35mm) : kSigmaUnknown;
  const double sigma_centre_px = kSigmaCentre * std::max(width_px, height_px);
  LensVector sigma;
  sigma << sigma_f * lens.value[kF], sigma_centre_px, sigma_centre_px, kSigmaRadial, kSigmaRadial,
      0, kSigmaTangential, kSigmaTangential;
  lens.covariance = sigma.cwiseAbs2().asDiagonal();
  return lens;
}

std::optional<int> quarter_turns(int orientation) {
  constexpr std::array<int, 9> kTurns = {-1, 0, -1, 2, -1, -1, 1, -1, 3};
  if (orientation < 1 || orientation > 8) return std::nullopt;
  const int turns = kTurns[static_cast<std::size_t>(orientation)];
  return turns < 0 ? std::nullopt : std::optional(turns);
}

std::optional<Lens> adapt_profile(const Lens& profile, int width_px, int height_px,
                                  int orientation) {
  if (profile.width_px < 1 || profile.height_px < 1 || width_px < 1 || height_px < 1) {
    return std::nullopt;
  }
  const bool upended =
      (profile.width_px > profile.height_px) != (width_px > height_px) && width_px != height_px;
  const double from_width = upended ? profile.height_px : profile.width_px;
  const double from_height = upended ? profile.width_px : profile.height_px;
  // A reduced photo's sides are rounded to whole pixels; any other shape is a crop.
  if (std::abs(width_px * from_height - height_px * from_width) >
      std::max({from_width, from_height, double(width_px), double(height_px)})) {
    return std::nullopt;
  }
  const auto from_turns = quarter_turns(profile.orientation);
  const auto to_turns = quarter_turns(orientation);
  int turns = from_turns && to_turns ? (*to_turns - *from_turns + 4) % 4 : 0;
  const bool turn_known = from_turns && to_turns && (turns % 2 == 1) == upended;
  if (!turn_known) turns = upended ? 1 : 0;

  LensMatrix map = turn_matrix(turns);
  map.middleRows<3>(kF) *= std::hypot(width_px, height_px) / std::hypot(from_width, from_height);
  LensVector offset = map * (profile.value - frame_centre(profile.width_px, profile.height_px));
  Lens lens = profile;
  lens.covariance = map * profile.covariance * map.transpose();
  if (!turn_known) {
    // Two turns by 180 degrees from each other are possible: mean, half the difference as sigma.
    for (const int i : {kCx, kCy, kP1, kP2}) {
      lens.covariance(i, i) += offset[i] * offset[i];
      offset[i] = 0;
    }
  }
  lens.value = offset + frame_centre(width_px, height_px);
  lens.width_px = width_px;
  lens.height_px = height_px;
  lens.orientation = orientation;
  return lens;
}

}  // namespace panecard::photo
