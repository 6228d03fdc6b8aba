#include "card/saddle.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

namespace panecard::card {

namespace {

using Eigen::Vector2d;

// A marker starts an eighth of a square away from the lines; the blur needs the rest of the gap.
constexpr double kBand = 0.092;
constexpr double kArm = 0.42;  // of a square, so that the next corner stays outside
constexpr double kMaxBandPx = 7;
constexpr double kMinArmPx = 5, kMinBandPx = 1.2;
constexpr double kMinContrast = 20;  // grey levels
constexpr double kMaxMisfit =
    0.15;  // of the contrast: residuals larger than this are no chessboard corner
constexpr double kSigmaFloorPx = 0.01;  // pixel grid, print edges

struct Sample {
  Vector2d at;
  double grey;
};

/// A step of height 1 blurred with standard deviation `s`, its slopes in distance and in s.
struct Step {
  double value, by_distance, by_blur;
};

Step blurred_step(double distance, double s) {
  const double z = distance / s;
  const double density = std::exp(-0.5 * z * z) / (std::sqrt(2 * std::numbers::pi) * s);
  return {0.5 * std::erfc(-z / std::numbers::sqrt2), density, -density * z};
}

double cross2(const Vector2d& a, const Vector2d& b) { return a.x() * b.y() - a.y() * b.x(); }
Vector2d unit(double angle) { return {std::cos(angle), std::sin(angle)}; }

/// Pixels of the cross-shaped band around two lines through `centre`.
std::vector<Sample> cross_samples(const cv::Mat& grey, const Vector2d& centre,
                                  const Vector2d& right, const Vector2d& down, double max_arm_px) {
  const Vector2d along_a = right.normalized(), along_b = down.normalized();
  const double arm_a = std::min(max_arm_px, kArm * right.norm());
  const double arm_b = std::min(max_arm_px, kArm * down.norm());
  const double skew = std::abs(cross2(along_a, along_b));
  const double band_a = std::min(kMaxBandPx, kBand * down.norm() * skew);
  const double band_b = std::min(kMaxBandPx, kBand * right.norm() * skew);
  std::vector<Sample> samples;
  if (std::min(arm_a, arm_b) < kMinArmPx || std::min(band_a, band_b) < kMinBandPx) return samples;
  const Vector2d reach = (arm_a * along_a).cwiseAbs() + (arm_b * along_b).cwiseAbs();
  const Vector2d low = centre - reach, high = centre + reach;
  if (low.minCoeff() < 1 || high.x() > grey.cols - 1 || high.y() > grey.rows - 1) return samples;
  for (int row = static_cast<int>(low.y()); row <= static_cast<int>(high.y()); ++row) {
    const uchar* line = grey.ptr<uchar>(row);
    for (int column = static_cast<int>(low.x()); column <= static_cast<int>(high.x()); ++column) {
      const Vector2d at(column + 0.5, row + 0.5);
      const Vector2d d = at - centre;
      const double from_a = cross2(along_a, d), from_b = -cross2(along_b, d);
      const bool near_a = std::abs(from_a) <= band_a && std::abs(from_b) <= arm_a * skew;
      const bool near_b = std::abs(from_b) <= band_b && std::abs(from_a) <= arm_b * skew;
      if (near_a || near_b) samples.push_back({at, static_cast<double>(line[column])});
    }
  }
  return samples;
}

/// Levenberg-Marquardt on a few parameters. `model(x, sample, gradient)` returns the grey level.
template <int N, typename Model>
struct GreyFit {
  Eigen::Matrix<double, N, 1> x;
  Eigen::Matrix<double, N, N> covariance;
  double noise = 0;
  bool good = false;

  GreyFit(Eigen::Matrix<double, N, 1> start, const std::vector<Sample>& samples, const Model& model)
      : x(start) {
    using VectorN = Eigen::Matrix<double, N, 1>;
    using MatrixN = Eigen::Matrix<double, N, N>;
    const auto system = [&](const VectorN& at, MatrixN& jtj, VectorN& jtr) {
      double cost = 0;
      jtj.setZero(), jtr.setZero();
      VectorN g;
      for (const Sample& s : samples) {
        const double r = s.grey - model(at, s, g);
        jtj.template selfadjointView<Eigen::Lower>().rankUpdate(g);
        jtr += r * g;
        cost += r * r;
      }
      jtj.template triangularView<Eigen::StrictlyUpper>() = jtj.transpose();
      return cost;
    };
    MatrixN jtj;
    VectorN jtr;
    double cost = system(x, jtj, jtr), damping = 1e-3;
    for (int iteration = 0; iteration < 25; ++iteration) {
      MatrixN damped = jtj;
      damped.diagonal() *= 1 + damping;
      const VectorN step = damped.ldlt().solve(jtr);
      if (!step.allFinite()) return;
      const VectorN next = x + step;
      MatrixN next_jtj;
      VectorN next_jtr;
      const double next_cost = model.allowed(next) ? system(next, next_jtj, next_jtr) : 1e300;
      if (next_cost < cost) {
        const bool settled = cost - next_cost < 1e-5 * cost;
        x = next, cost = next_cost, jtj = next_jtj, jtr = next_jtr, damping *= 0.1;
        if (settled) break;
      } else {
        damping *= 10;
        if (damping > 1e6) break;
      }
    }
    const double freedom = static_cast<double>(samples.size()) - N;
    if (freedom < N) return;
    noise = std::sqrt(cost / freedom);
    covariance = (jtj + 1e-9 * MatrixN(jtj.diagonal().asDiagonal())).inverse() * noise * noise;
    good = covariance.allFinite() && covariance.diagonal().minCoeff() > 0;
  }
};

/// Parameters: x, y, angle of line A, angle of line B, black, contrast, log blur, bloom.
struct SaddleModel {
  static constexpr int kSize = 8;
  using Vector = Eigen::Matrix<double, kSize, 1>;

  bool allowed(const Vector& x) const { return x[6] > -1.6 && x[6] < 2.5 && std::abs(x[7]) < 0.45; }

  double operator()(const Vector& x, const Sample& sample, Vector& g) const {
    const Vector2d d = sample.at - x.head<2>();
    const Vector2d a = unit(x[2]), b = unit(x[3]);
    const double blur = std::exp(x[6]);
    const Step fa = blurred_step(cross2(a, d), blur), fb = blurred_step(-cross2(b, d), blur);
    const double share = 1 - fa.value - fb.value + 2 * fa.value * fb.value;
    const double by_fa = 2 * fb.value - 1, by_fb = 2 * fa.value - 1;
    const double tone = share + 4 * x[7] * share * (1 - share);
    const double by_share = x[5] * (1 + 4 * x[7] * (1 - 2 * share));
    const double by_da = by_share * by_fa * fa.by_distance,
                 by_db = by_share * by_fb * fb.by_distance;
    g[0] = by_da * a.y() - by_db * b.y();
    g[1] = -by_da * a.x() + by_db * b.x();
    g[2] = -by_da * a.dot(d);
    g[3] = by_db * b.dot(d);
    g[4] = 1;
    g[5] = tone;
    g[6] = by_share * (by_fa * fa.by_blur + by_fb * fb.by_blur) * blur;
    g[7] = x[5] * 4 * share * (1 - share);
    return x[4] + x[5] * tone;
  }
};

/// Parameters: offset to the left of the line at its middle, slope, black, contrast, log blur.
struct LineModel {
  static constexpr int kSize = 5;
  using Vector = Eigen::Matrix<double, kSize, 1>;
  Vector2d middle, along;
  double bloom = 0;

  bool allowed(const Vector& x) const { return x[4] > -1.6 && x[4] < 2.5; }

  double operator()(const Vector& x, const Sample& sample, Vector& g) const {
    const Vector2d d = sample.at - middle;
    const double t = along.dot(d), left = -cross2(along, d);
    const double blur = std::exp(x[4]);
    const Step f = blurred_step(left - x[0] - x[1] * t, blur);
    const double tone = f.value + 4 * bloom * f.value * (1 - f.value);
    const double by_share = x[3] * (1 + 4 * bloom * (1 - 2 * f.value));
    g[0] = -by_share * f.by_distance;
    g[1] = -by_share * f.by_distance * t;
    g[2] = 1;
    g[3] = tone;
    g[4] = by_share * f.by_blur * blur;
    return x[2] + x[3] * tone;
  }
};

std::pair<double, double> levels(const std::vector<Sample>& samples) {
  std::vector<double> grey;
  grey.reserve(samples.size());
  for (const Sample& s : samples) grey.push_back(s.grey);
  std::sort(grey.begin(), grey.end());
  return {grey[grey.size() / 10], grey[grey.size() * 9 / 10]};
}

}  // namespace

std::optional<SaddleFit> fit_saddle(const cv::Mat& grey, PointPx guess, const Vector2d& right,
                                    const Vector2d& down, bool lower_right_black,
                                    double max_arm_px) {
  Vector2d centre(guess.x, guess.y);
  std::optional<SaddleFit> result;
  for (int pass = 0; pass < 2; ++pass) {
    const std::vector<Sample> samples = cross_samples(grey, centre, right, down, max_arm_px);
    if (samples.size() < 40) return std::nullopt;
    const auto [dark, bright] = levels(samples);
    if (bright - dark < kMinContrast) return std::nullopt;
    SaddleModel::Vector start;
    // Line B's normal points right when B runs down; both distances positive means lower right.
    start << centre, std::atan2(right.y(), right.x()), std::atan2(down.y(), down.x()),
        lower_right_black ? bright : dark, lower_right_black ? dark - bright : bright - dark, 0, 0;
    const GreyFit<SaddleModel::kSize, SaddleModel> fit(start, samples, SaddleModel{});
    if (!fit.good) return std::nullopt;
    const double contrast = std::abs(fit.x[5]);
    const bool right_way = (fit.x[5] < 0) == lower_right_black;
    const double turn_a = fit.x[2] - start[2], turn_b = fit.x[3] - start[3];
    if (!right_way || contrast < kMinContrast || fit.noise > kMaxMisfit * contrast ||
        std::max(std::abs(turn_a), std::abs(turn_b)) > 0.25) {
      return std::nullopt;
    }
    const Vector2d found = fit.x.head<2>();
    if ((found - centre).norm() > 0.3 * std::min(right.norm(), down.norm())) return std::nullopt;
    const bool settled = (found - centre).norm() < 0.7;
    centre = found;
    const double sigma = std::sqrt(0.5 * (fit.covariance(0, 0) + fit.covariance(1, 1)));
    const double bloom = lower_right_black ? -fit.x[7] : fit.x[7];
    result = SaddleFit{{found.x(), found.y()},
                       std::hypot(sigma, kSigmaFloorPx),
                       std::exp(fit.x[6]),
                       bloom,
                       contrast,
                       fit.noise};
    if (settled) break;
  }
  return result;
}

std::optional<LineFit> fit_edge(const cv::Mat& grey, PointPx a, PointPx b, double reach_px,
                                double blur_px, double bloom) {
  const Vector2d from(a.x, a.y), to(b.x, b.y);
  LineModel model{0.5 * (from + to), (to - from).normalized(), bloom};
  const double guard = 3 * blur_px + 1;  // the edge ends there
  const double half = 0.5 * (to - from).norm() - guard;
  const double reach = std::min(reach_px, kMaxBandPx);
  if (half < 4 || reach < kMinBandPx) return std::nullopt;
  const Vector2d span = (half * model.along).cwiseAbs() + Vector2d(reach, reach);
  const Vector2d low = model.middle - span, high = model.middle + span;
  if (low.minCoeff() < 1 || high.x() > grey.cols - 1 || high.y() > grey.rows - 1)
    return std::nullopt;
  std::vector<Sample> samples;
  for (int row = static_cast<int>(low.y()); row <= static_cast<int>(high.y()); ++row) {
    const uchar* line = grey.ptr<uchar>(row);
    for (int column = static_cast<int>(low.x()); column <= static_cast<int>(high.x()); ++column) {
      const Vector2d at(column + 0.5, row + 0.5), d = at - model.middle;
      if (std::abs(model.along.dot(d)) <= half && std::abs(cross2(model.along, d)) <= reach) {
        samples.push_back({at, static_cast<double>(line[column])});
      }
    }
  }
  if (samples.size() < 20) return std::nullopt;
  const auto [dark, bright] = levels(samples);
  LineModel::Vector start;
  start << 0, 0, dark, bright - dark, std::log(blur_px);
  const GreyFit<LineModel::kSize, LineModel> fit(start, samples, model);
  if (!fit.good || fit.x[3] < kMinContrast || fit.noise > kMaxMisfit * fit.x[3] ||
      std::abs(fit.x[1]) > 0.1 || std::abs(fit.x[0]) > reach) {
    return std::nullopt;
  }
  LineFit result;
  const Vector2d left(model.along.y(), -model.along.x());
  for (const int end : {0, 1}) {
    const double t = (end == 0 ? -1 : 1) * 2 * half / std::sqrt(12.0);
    const Vector2d at = model.middle + t * model.along + (fit.x[0] + fit.x[1] * t) * left;
    result.at[end] = {at.x(), at.y()};
  }
  result.sigma_px = std::sqrt(2 * (fit.covariance(0, 0) + kSigmaFloorPx * kSigmaFloorPx));
  return result;
}

}  // namespace panecard::card
