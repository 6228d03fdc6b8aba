#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>

#include "check/check.h"
#include "check/propagation.h"
#include "check/rounded.h"

namespace panecard::check {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr std::array kSideNames = {"bottom", "right", "top", "left"};

constexpr std::array<const char*, kMeasurands> kNames = {"width at the bottom",
                                                         "width at the top",
                                                         "height at the left",
                                                         "height at the right",
                                                         "diagonal, lower left to upper right",
                                                         "diagonal, upper left to lower right",
                                                         "out of square",
                                                         "out of square, angle",
                                                         "wider at the top by",
                                                         "higher at the right by",
                                                         "bow of the bottom side",
                                                         "bow of the right side",
                                                         "bow of the top side",
                                                         "bow of the left side",
                                                         "straightness of the bottom side",
                                                         "straightness of the right side",
                                                         "straightness of the top side",
                                                         "straightness of the left side",
                                                         "best rectangle, width",
                                                         "best rectangle, height",
                                                         "best rectangle, corner radius"};

/// Huber's scale: 1.345 robust standard deviations.
double robust_scale(const Eigen::VectorXd& off) {
  constexpr double kTuning = 1.345, kMadOfNormal = 1.4826, kLeastScale_mm = 0.02;
  std::vector<double> sizes(off.data(), off.data() + off.size());
  for (double& s : sizes) s = std::abs(s);
  const auto middle = sizes.begin() + static_cast<std::ptrdiff_t>(sizes.size() / 2);
  std::nth_element(sizes.begin(), middle, sizes.end());
  return kTuning * std::max(kLeastScale_mm, kMadOfNormal * *middle);
}

/// Huber's weights: one within the scale, then scale / distance.
Eigen::VectorXd robust_weights(const Eigen::VectorXd& off) {
  const double scale = robust_scale(off);
  return off.unaryExpr(
      [scale](double o) { return std::min(1.0, scale / std::max(std::abs(o), 1e-12)); });
}

/// Second derivative of Huber's loss, for the linear response: beyond the scale the loss is linear
/// and a small shift has no effect. Kept at 0.01 there, so that the normal matrix stays regular.
Eigen::VectorXd response_weights(const Eigen::VectorXd& off) {
  constexpr double kLeast = 0.01;
  const double scale = robust_scale(off);
  return off.unaryExpr([scale](double o) { return std::abs(o) <= scale ? 1.0 : kLeast; });
}

/// From the smallest box, turned so that its height is what stands upright in the photo; the radius
/// from the area that the corners lack: (4 - pi) r^2.
Rounded start_for(const PolygonMm& points, PointMm up) {
  const OrientedBox box = min_area_box(points);
  Rounded r{box.centre, box.angle_rad, box.long_mm / 2, box.short_mm / 2, 0};
  const double missing = box.long_mm * box.short_mm - signed_area_mm2(points);
  r.radius_mm = std::clamp(std::sqrt(std::max(0.0, missing) / (4 - kPi)), 0.0, box.short_mm / 4);
  const PointMm right{up.y, -up.x};
  const PointMm along{std::cos(r.angle_rad), std::sin(r.angle_rad)};
  if (std::abs(dot(along, right)) < std::abs(dot(along, up))) {
    std::swap(r.half_width_mm, r.half_height_mm);
    r.angle_rad -= kPi / 2;
  }
  const PointMm now{std::cos(r.angle_rad), std::sin(r.angle_rad)};
  if (dot(now, right) < 0) r.angle_rad += kPi;
  r.angle_rad = std::remainder(r.angle_rad, 2 * kPi);
  return r;
}

using Params = Eigen::Matrix<double, 6, 1>;
using Normal = Eigen::Matrix<double, 6, 6>;

struct RoundedFit {
  Rounded shape;
  Eigen::VectorXd off_mm;
  PolygonMm normals;
  Eigen::MatrixXd response;  ///< 6 x points: d(parameters)/d(shift outwards)
};

using Weights = Eigen::VectorXd (*)(const Eigen::VectorXd&);

/// One evaluation of the robust normal equations, and the step they ask for.
Params evaluate(const PolygonMm& points, Weights weigh, RoundedFit& fit) {
  const auto n = static_cast<Eigen::Index>(points.size());
  Eigen::MatrixXd moves(n, 6);
  fit.off_mm.resize(n);
  fit.normals.resize(points.size());
  for (Eigen::Index i = 0; i < n; ++i) {
    const Offset o = offset_from(fit.shape, points[static_cast<std::size_t>(i)]);
    moves.row(i) = o.moves;
    fit.off_mm[i] = o.mm;
    fit.normals[static_cast<std::size_t>(i)] = o.normal;
  }
  const Eigen::VectorXd weights = weigh(fit.off_mm);
  const Eigen::MatrixXd weighted = weights.asDiagonal() * moves;
  Normal normal = weighted.transpose() * moves;
  // A sharp corner does not determine its radius: regularise.
  normal.diagonal().array() += 1e-9 * normal.trace() / 6 + 1e-12;
  fit.response = -normal.ldlt().solve(weighted.transpose());
  return fit.response * fit.off_mm;
}

RoundedFit fit_rounded(const PolygonMm& points, PointMm up) {
  constexpr int kMostSteps = 60;
  constexpr double kStill = 1e-7;
  RoundedFit fit{start_for(points, up), {}, {}, {}};
  for (int i = 0; i < kMostSteps; ++i) {
    const Params step = evaluate(points, robust_weights, fit);
    Rounded& s = fit.shape;
    s.centre = s.centre + PointMm{step[0], step[1]};
    s.angle_rad += std::clamp(step[2], -0.1, 0.1);
    s.half_width_mm = std::max(1.0, s.half_width_mm + step[3]);
    s.half_height_mm = std::max(1.0, s.half_height_mm + step[4]);
    s.radius_mm =
        std::clamp(s.radius_mm + step[5], 0.0, std::min(s.half_width_mm, s.half_height_mm));
    if (step.cwiseAbs().maxCoeff() < kStill) break;
  }
  evaluate(points, response_weights, fit);
  return fit;
}

/// A side's own line and parabola in the rectangle's frame: offset = a + b t (+ q t^2), t from -1
/// to 1 along the side, counter-clockwise.
struct SideFit {
  PointMm normal, along;  ///< local
  double reach_mm = 0, half_mm = 0;
  std::vector<std::size_t> points;
  std::vector<double> t;
  Eigen::Vector3d value = Eigen::Vector3d::Zero();  ///< a, b, q
  Eigen::MatrixXd response;                         ///< 3 x points of the side
};

SideFit side_of(const PolygonMm& points, const Rounded& r, int side) {
  constexpr std::array<PointMm, 4> kNormals = {PointMm{0, -1}, {1, 0}, {0, 1}, {-1, 0}};
  SideFit out;
  out.normal = kNormals[static_cast<std::size_t>(side)];
  out.along = {-out.normal.y, out.normal.x};
  const bool lying = side % 2 == 0;
  out.half_mm = lying ? r.half_width_mm : r.half_height_mm;
  out.reach_mm = lying ? r.half_height_mm : r.half_width_mm;
  // Corners differ a little from the common radius; what belongs to one of them is no side.
  constexpr double kClear_mm = 2, kClearOfRadius = 1.25;
  const double end =
      out.half_mm - std::min(kClearOfRadius * r.radius_mm + kClear_mm, out.half_mm / 2);
  for (std::size_t i = 0; i < points.size(); ++i) {
    const PointMm p = local(r, points[i]);
    const double s = dot(p, out.along), o = dot(p, out.normal);
    if (std::abs(s) > end || o < 0 || out.reach_mm - o > out.half_mm - std::abs(s)) continue;
    out.points.push_back(i);
    out.t.push_back(s / out.half_mm);
  }
  return out;
}

void fit_side(const PolygonMm& points, const Rounded& r, SideFit& side) {
  const auto n = static_cast<Eigen::Index>(side.points.size());
  Eigen::MatrixXd basis(n, 3);
  Eigen::VectorXd offsets(n);
  for (Eigen::Index i = 0; i < n; ++i) {
    const auto at = static_cast<std::size_t>(i);
    basis.row(i) << 1, side.t[at], side.t[at] * side.t[at];
    offsets[i] = dot(local(r, points[side.points[at]]), side.normal);
  }
  const auto solved = [&](const Eigen::MatrixXd& b, const Eigen::VectorXd& weights) {
    const Eigen::MatrixXd weighted = weights.asDiagonal() * b;
    return Eigen::MatrixXd(
        Eigen::MatrixXd(weighted.transpose() * b).ldlt().solve(weighted.transpose()));
  };
  Eigen::VectorXd rest = Eigen::VectorXd::Zero(n);
  constexpr int kReweighings = 20;
  for (int k = 0; k < kReweighings; ++k) {
    rest = offsets - basis * (solved(basis, robust_weights(rest)) * offsets);
  }
  const Eigen::MatrixXd straight = basis.leftCols<2>();
  const auto both = [&](const Eigen::VectorXd& weights) {
    Eigen::MatrixXd out(3, n);
    out << solved(straight, weights), solved(basis, weights).row(2);
    return out;
  };
  side.value = both(robust_weights(rest)) * offsets;
  side.response = both(response_weights(rest));
}

using Sides = std::array<SideFit, 4>;
using Lines = std::array<Eigen::Vector3d, 4>;

std::array<PointMm, 4> sharp_corners(const Sides& sides, const Lines& lines) {
  std::array<PointMm, 4> out;
  for (std::size_t k = 0; k < 4; ++k) {  // where side k - 1 meets side k
    const SideFit &a = sides[(k + 3) % 4], &b = sides[k];
    const Eigen::Vector3d &la = lines[(k + 3) % 4], &lb = lines[k];
    const PointMm p = la[0] * a.normal, u = a.half_mm * a.along + la[1] * a.normal;
    const PointMm q = lb[0] * b.normal, v = b.half_mm * b.along + lb[1] * b.normal;
    out[k] = p + cross(q - p, v) / cross(u, v) * u;
  }
  return out;
}

/// All but straightness and the best rectangle, from the sides' lines.
Eigen::VectorXd dimensions(const Sides& sides, const Lines& lines) {
  const auto c = sharp_corners(sides, lines);
  const auto slope = [&](std::size_t k) { return std::atan2(lines[k][1], sides[k].half_mm); };
  Eigen::VectorXd d(straight_bottom);
  d[width_bottom] = distance(c[0], c[1]);
  d[width_top] = distance(c[2], c[3]);
  d[height_left] = distance(c[3], c[0]);
  d[height_right] = distance(c[1], c[2]);
  d[diagonal_rising] = distance(c[0], c[2]);
  d[diagonal_falling] = distance(c[1], c[3]);
  // The lying sides rise by their mean heading, the upright ones lean right by theirs.
  const double lean = (slope(1) + slope(3)) / 2 - (slope(0) + slope(2)) / 2;
  d[out_of_square] = std::tan(lean) * (d[height_left] + d[height_right]) / 2;
  d[out_of_square_deg] = lean * 180 / kPi;
  d[wider_at_top] = d[width_top] - d[width_bottom];
  d[higher_at_right] = d[height_right] - d[height_left];
  for (std::size_t k = 0; k < 4; ++k) {  // the parabola's depth over the whole side
    const double reach = distance(c[k], c[(k + 1) % 4]) / 2 / sides[k].half_mm;
    d[bow_bottom + static_cast<int>(k)] = -lines[k][2] * reach * reach;
  }
  return d;
}

/// d(dimensions)/d(shift of each point along its side's normal).
Eigen::MatrixXd dimension_rows(const Sides& sides, const Lines& lines, std::size_t points) {
  constexpr double kStep_mm = 1e-3;
  Eigen::MatrixXd rows = Eigen::MatrixXd::Zero(kMeasurands, static_cast<Eigen::Index>(points));
  for (std::size_t k = 0; k < 4; ++k) {
    for (int j = 0; j < 3; ++j) {
      Lines more = lines, less = lines;
      more[k][j] += kStep_mm, less[k][j] -= kStep_mm;
      const Eigen::VectorXd by =
          (dimensions(sides, more) - dimensions(sides, less)) / (2 * kStep_mm);
      for (std::size_t i = 0; i < sides[k].points.size(); ++i) {
        rows.col(static_cast<Eigen::Index>(sides[k].points[i])).head(by.size()) +=
            by * sides[k].response(j, static_cast<Eigen::Index>(i));
      }
    }
  }
  return rows;
}

/// Highest less lowest point about the side's line (ISO 1101). Noise enlarges the range of the
/// points by up to the range of the errors: u95 is the 95 % quantile of that range.
Dimension straightness(const PolygonMm& points, const Rounded& r, const SideFit& side,
                       const Propagation& propagation, const Eigen::MatrixXd& draws) {
  const auto n = static_cast<Eigen::Index>(side.points.size());
  Eigen::VectorXd off(n);
  Eigen::MatrixXd line(n, 2);
  for (Eigen::Index i = 0; i < n; ++i) {
    const auto at = static_cast<std::size_t>(i);
    line.row(i) << 1, side.t[at];
    off[i] = dot(local(r, points[side.points[at]]), side.normal);
  }
  off -= line * side.value.head<2>();
  const double error =
      propagation.residual_range95(side.points, line, side.response.topRows<2>(), draws);
  return {off.maxCoeff() - off.minCoeff(), error};
}

Error no_rectangle(const std::string& why) {
  return {Code::degenerate_shape, "the outline is no rectangle: " + why +
                                      "; compare it with another outline instead (--with)"};
}

/// Values of the sides' lines with their plus-minus.
std::vector<Value> side_values(const Shape& shape, const RoundedFit& fit, const Sides& sides,
                               const Lines& lines) {
  const PolygonMm& points = shape.contour.points;
  const Eigen::VectorXd d = dimensions(sides, lines);
  Eigen::MatrixXd rows = dimension_rows(sides, lines, points.size());
  PolygonMm along = fit.normals;
  for (const SideFit& side : sides) {
    for (const std::size_t i : side.points) along[i] = global_direction(fit.shape, side.normal);
  }
  const Propagation propagation(shape, along);
  std::vector<Value> values = propagation.of(rows);
  for (int k = 0; k < straight_bottom; ++k) values[static_cast<std::size_t>(k)].size.value = d[k];
  constexpr Eigen::Index kDraws = 200;
  const Eigen::MatrixXd draws = normal_draws(propagation.columns().cols(), kDraws);
  for (std::size_t k = 0; k < 4; ++k) {
    values[straight_bottom + k].size =
        straightness(points, fit.shape, sides[k], propagation, draws);
  }
  return values;
}

}  // namespace

Result<Rectangle> fit_rectangle(const Shape& given) {
  const Shape shape = evenly_resampled(given);
  const PolygonMm& points = shape.contour.points;
  const RoundedFit fit = fit_rounded(points, up_of(given.contour));
  const Rounded& r = fit.shape;
  if (!fit.off_mm.allFinite()) return no_rectangle("nothing fits it");
  constexpr double kRoundest = 0.7;  // less than a third of the shorter side would be straight
  if (r.radius_mm > kRoundest * std::min(r.half_width_mm, r.half_height_mm)) {
    return no_rectangle("its corners leave no straight sides");
  }

  Sides sides;
  Lines lines;
  for (int k = 0; k < 4; ++k) {
    const auto at = static_cast<std::size_t>(k);
    sides[at] = side_of(points, r, k);
    constexpr std::size_t kLeastPoints = 8;
    if (sides[at].points.size() < kLeastPoints) {
      return no_rectangle(std::string("it has no side at the ") + kSideNames[at]);
    }
    fit_side(points, r, sides[at]);
    lines[at] = sides[at].value;
    // Beyond this the side meets its neighbours nowhere near a corner.
    if (std::abs(lines[at][1]) > sides[at].half_mm / 2) {
      return no_rectangle(std::string("its side at the ") + kSideNames[at] +
                          " stands askew by more than 25 degrees");
    }
  }

  Rectangle out;
  out.centre = r.centre;
  out.angle_rad = r.angle_rad;
  out.width_mm = 2 * r.half_width_mm, out.height_mm = 2 * r.half_height_mm;
  out.radius_mm = r.radius_mm;
  const auto corners = sharp_corners(sides, lines);
  for (std::size_t k = 0; k < 4; ++k) out.sharp[k] = r.centre + global_direction(r, corners[k]);
  out.values = side_values(shape, fit, sides, lines);
  Eigen::MatrixXd rows(3, fit.response.cols());
  rows << 2 * fit.response.row(3), 2 * fit.response.row(4), fit.response.row(5);
  const std::vector<Value> whole = Propagation(shape, fit.normals).of(rows);
  const std::array<double, 3> sizes = {out.width_mm, out.height_mm, out.radius_mm};
  for (std::size_t k = 0; k < 3; ++k) {
    out.values[fit_width + k] = whole[k];
    out.values[fit_width + k].size.value = sizes[k];
  }
  for (std::size_t k = 0; k < out.values.size(); ++k) out.values[k].name = kNames[k];
  out.points = points;
  out.off_mm.assign(fit.off_mm.data(), fit.off_mm.data() + fit.off_mm.size());
  return out;
}

}  // namespace panecard::check
