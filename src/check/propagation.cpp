#include "check/propagation.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <random>

namespace panecard::check {
namespace {

constexpr double kPi = std::numbers::pi;

/// Point `before` and its successor, t of the way.
struct Station {
  std::size_t before = 0;
  double t = 0;
};

std::vector<Station> stations(const PolygonMm& polygon, double step_mm) {
  const std::size_t n = polygon.size();
  std::vector<double> at(n + 1, 0.0);
  for (std::size_t i = 0; i < n; ++i) {
    at[i + 1] = at[i] + distance(polygon[i], polygon[(i + 1) % n]);
  }
  const auto count = static_cast<std::size_t>(std::max(12.0, std::round(at[n] / step_mm)));
  std::vector<Station> out;
  std::size_t edge = 0;
  for (std::size_t k = 0; k < count; ++k) {
    const double s = at[n] * static_cast<double>(k) / static_cast<double>(count);
    while (edge + 1 < n && at[edge + 1] <= s) ++edge;
    const double length = at[edge + 1] - at[edge];
    out.push_back({edge, length > 0 ? (s - at[edge]) / length : 0});
  }
  return out;
}

template <typename Value>
std::vector<Value> at_stations(const std::vector<Value>& values, const std::vector<Station>& to) {
  std::vector<Value> out;
  if (values.empty()) return out;
  out.reserve(to.size());
  for (const Station& s : to) {
    out.push_back((1 - s.t) * values[s.before] + s.t * values[(s.before + 1) % values.size()]);
  }
  return out;
}

}  // namespace

Shape evenly_resampled(const Shape& shape, double step_mm) {
  const std::vector<Station> to = stations(shape.contour.points, step_mm);
  Shape out;
  out.sources_known = shape.sources_known;
  out.u95_mm = at_stations(shape.u95_mm, to);
  out.contour.points = at_stations(shape.contour.points, to);
  out.contour.sigma_mm = at_stations(shape.contour.sigma_mm, to);
  out.contour.correlation_length_mm = shape.contour.correlation_length_mm;
  out.contour.mode_sources = shape.contour.mode_sources;
  for (const PolygonMm& mode : shape.contour.modes) {
    out.contour.modes.push_back(at_stations(mode, to));
  }
  return out;
}

Shape evenly_resampled(const Shape& shape) {
  constexpr double kStep_mm = 2, kMostPoints = 1000;
  return evenly_resampled(shape,
                          std::max(kStep_mm, perimeter_mm(shape.contour.points) / kMostPoints));
}

PointMm up_of(const Contour& contour) {
  const std::size_t n = contour.points.size();
  if (contour.points_px.size() != n || n < 3) return {0, 1};
  // The plane -y_px = g . (x, y) + c through all pairs; perspective only bends it.
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  for (std::size_t i = 0; i < n; ++i) {
    const Eigen::Vector3d row(contour.points[i].x, contour.points[i].y, 1);
    normal += row * row.transpose();
    right -= row * contour.points_px[i].y;
  }
  const Eigen::Vector3d g = normal.ldlt().solve(right);
  const double length = std::hypot(g.x(), g.y());
  if (!std::isfinite(length) || !(length > 0)) return {0, 1};
  return {g.x() / length, g.y() / length};
}

std::string place_name(PointMm at, PointMm centre, PointMm up) {
  const PointMm arm = at - centre, right{up.y, -up.x};
  const double x = dot(arm, right), y = dot(arm, up);
  std::string side;
  if (std::abs(y) * 2 > std::abs(x)) side = y > 0 ? "top" : "bottom";
  if (std::abs(x) * 2 > std::abs(y))
    side += (side.empty() ? "" : " ") + std::string(x > 0 ? "right" : "left");
  const auto hour = (static_cast<int>(std::lround(std::atan2(x, y) / (kPi / 6))) + 12) % 12;
  return side + ", " + std::to_string(hour == 0 ? 12 : hour) + " o'clock";
}

Propagation::Propagation(const Shape& shape, const PolygonMm& along) {
  const Contour& c = shape.contour;
  const auto n = static_cast<Eigen::Index>(c.points.size());
  if (!shape.sources_known) {
    u95_ = Eigen::Map<const Eigen::VectorXd>(shape.u95_mm.data(), n);
    return;
  }
  constexpr std::size_t kMostBumps = 400;
  const std::vector<NoiseMode> bumps = noise_modes(c, kMostBumps);
  columns_ = Eigen::MatrixXd::Zero(n, static_cast<Eigen::Index>(c.modes.size() + bumps.size()));
  Eigen::Index column = 0;
  for (std::size_t m = 0; m < c.modes.size(); ++m, ++column) {
    for (Eigen::Index i = 0; i < n; ++i) {
      const auto at = static_cast<std::size_t>(i);
      columns_(i, column) = dot(c.modes[m][at], along[at]);
    }
    sources_.push_back(m < c.mode_sources.size() ? c.mode_sources[m] : SourceName());
  }
  for (const NoiseMode& bump : bumps) {
    for (std::size_t k = 0; k < bump.along_normal_mm.size(); ++k) {
      const auto i = static_cast<Eigen::Index>((bump.first + k) % c.points.size());
      columns_(i, column) += bump.along_normal_mm[k];
    }
    ++column;
    sources_.emplace_back(ErrorSource::edge_noise);
  }
}

std::vector<Value> Propagation::of(const Eigen::MatrixXd& rows) const {
  std::vector<Value> out(static_cast<std::size_t>(rows.rows()));
  if (u95_.size() > 0) {
    const Eigen::VectorXd worst = rows.cwiseAbs() * u95_;
    for (Eigen::Index k = 0; k < rows.rows(); ++k) {
      out[static_cast<std::size_t>(k)].size.u95 = worst[k];
    }
    return out;
  }
  const Eigen::MatrixXd effects = rows * columns_;
  for (Eigen::Index k = 0; k < rows.rows(); ++k) {
    std::map<SourceName, double> variance;
    for (Eigen::Index m = 0; m < effects.cols(); ++m) {
      variance[sources_[static_cast<std::size_t>(m)]] += effects(k, m) * effects(k, m);
    }
    Value& value = out[static_cast<std::size_t>(k)];
    value.size.u95 = 2 * effects.row(k).norm();
    double most = 0;
    for (const auto& [source, part] : variance) {
      if (part > most) most = part, value.main_source = source;
    }
  }
  return out;
}

double Propagation::residual_range95(const std::vector<std::size_t>& points,
                                     const Eigen::MatrixXd& fitted, const Eigen::MatrixXd& response,
                                     const Eigen::MatrixXd& draws) const {
  const auto n = static_cast<Eigen::Index>(points.size());
  if (u95_.size() > 0) {
    Eigen::VectorXd worst(n);
    for (Eigen::Index i = 0; i < n; ++i)
      worst[i] = u95_[static_cast<Eigen::Index>(points[static_cast<std::size_t>(i)])];
    return 2 * (worst + fitted.cwiseAbs() * (response.cwiseAbs() * worst)).maxCoeff();
  }
  Eigen::MatrixXd own(n, columns_.cols());
  for (Eigen::Index i = 0; i < n; ++i) {
    own.row(i) = columns_.row(static_cast<Eigen::Index>(points[static_cast<std::size_t>(i)]));
  }
  const Eigen::MatrixXd followed = response * own;
  constexpr Eigen::Index kEvery = 3;  // points near each other go together
  Eigen::MatrixXd rest((n + kEvery - 1) / kEvery, own.cols());
  for (Eigen::Index i = 0; i < rest.rows(); ++i) {
    rest.row(i) = own.row(kEvery * i) - fitted.row(kEvery * i) * followed;
  }
  const Eigen::MatrixXd errors = rest * draws;
  const Eigen::RowVectorXd range = errors.colwise().maxCoeff() - errors.colwise().minCoeff();
  return quantile95({range.data(), range.data() + range.size()});
}

Eigen::MatrixXd normal_draws(Eigen::Index rows, Eigen::Index columns) {
  std::mt19937_64 bits(20240611);
  const auto uniform = [&bits] { return (static_cast<double>(bits() >> 11U) + 0.5) * 0x1p-53; };
  Eigen::MatrixXd out(rows, columns);
  for (double& value : out.reshaped()) {  // OrientedBox & Muller 1958
    value = std::sqrt(-2 * std::log(uniform())) * std::cos(2 * kPi * uniform());
  }
  return out;
}

double quantile95(std::vector<double> values) {
  const auto at =
      values.begin() + static_cast<std::ptrdiff_t>(0.95 * static_cast<double>(values.size()));
  std::nth_element(values.begin(), at, values.end());
  return *at;
}

}  // namespace panecard::check
