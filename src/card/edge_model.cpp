#include "card/edge_model.h"

#include <Eigen/Dense>
#include <numbers>
#include <numeric>

namespace panecard::card {
namespace {

using Eigen::Matrix3d;
using Eigen::Vector2d;
using Eigen::Vector3d;

double srgb_from_linear(double light) {  // tabulated: the edge model asks for it millions of times
  static const std::vector<double> table = [] {
    std::vector<double> t(4098);
    for (std::size_t i = 0; i < t.size(); ++i) {
      const double v = static_cast<double>(i) / 4096;
      t[i] = 255 * (v <= 0.0031308 ? 12.92 * v : 1.055 * std::pow(v, 1 / 2.4) - 0.055);
    }
    return t;
  }();
  const double at = std::clamp(light, 0.0, 1.0) * 4096;
  const auto i = static_cast<std::size_t>(at);
  return table[i] + (at - static_cast<double>(i)) * (table[i + 1] - table[i]);
}

/// Standard normal distribution and density, tabulated as above: fine to 1e-6 within 5 sigma.
struct Normal {
  double below, density;
};
Normal normal_at(double z) {
  constexpr int kPerSigma = 256, kSigmas = 5;
  static const std::vector<Normal> table = [] {
    std::vector<Normal> t;
    for (int i = 0; i <= 2 * kSigmas * kPerSigma + 1; ++i) {
      const double at = static_cast<double>(i) / kPerSigma - kSigmas;
      t.push_back({0.5 * std::erfc(-at * std::numbers::sqrt2 / 2),
                   std::exp(-at * at / 2) / std::sqrt(2 * std::numbers::pi)});
    }
    return t;
  }();
  const double at = (std::clamp(z, -5.0, 5.0) + kSigmas) * kPerSigma;
  const auto i = static_cast<std::size_t>(at);
  const double part = at - static_cast<double>(i);
  return {table[i].below + part * (table[i + 1].below - table[i].below),
          table[i].density + part * (table[i + 1].density - table[i].density)};
}

constexpr int kModelSteps = 24;
constexpr double kClipCode = 250;
constexpr double kGainStep = 0.05;

/// Mean colours on both sides of the edge and the scatter about them.
void measure_sides(EdgeWindow& window, const EdgeCurve& edge, double blur, Matrix3d& scatter,
                   int& scatter_count) {
  const double clear = 2 * blur + 0.5;
  Vector3d sum[2] = {Vector3d::Zero(), Vector3d::Zero()};
  Matrix3d square[2] = {Matrix3d::Zero(), Matrix3d::Zero()};
  int n[2] = {0, 0};
  for (const Pixel& p : window.pixel) {
    const double u = p.u - edge.u(p.t);
    if (std::abs(u) < clear) continue;
    const int side = u > 0;
    sum[side] += p.code;
    square[side] += p.code * p.code.transpose();
    ++n[side];
  }
  window.usable = n[0] >= 6 && n[1] >= 6;
  if (!window.usable) return;
  window.out = sum[0] / n[0];
  window.in = sum[1] / n[1];
  scatter += square[0] - n[0] * window.out * window.out.transpose();
  scatter += square[1] - n[1] * window.in * window.in.transpose();
  scatter_count += n[0] + n[1] - 2;
}

/// Projection axis in colour space (Fisher's linear discriminant); not usable without a significant
/// step.
void choose_axis(EdgeWindow& window, const Matrix3d& noise, int per_side) {
  if (!window.usable) return;
  const Vector3d difference = window.in - window.out;
  const Vector3d w = noise.ldlt().solve(difference);
  const double snr2 = w.dot(difference);
  window.usable = snr2 * per_side / 2 > 30;  // 5 sigma over three colours, of the means' difference
  if (!window.usable) return;
  window.axis = w / snr2;
  window.sigma = 1 / std::sqrt(snr2);
}

std::vector<double> model_table(const EdgeWindow& window, double gain) {
  std::vector<double> table(kModelSteps + 2);
  Vector3d out, in;
  for (int c = 0; c < 3; ++c) {
    out[c] = linear_from_srgb(window.out[c]) * (window.out[c] >= kClipCode ? gain : 1);
    in[c] = linear_from_srgb(window.in[c]) * (window.in[c] >= kClipCode ? gain : 1);
  }
  for (int i = 0; i <= kModelSteps + 1; ++i) {
    const double q = std::min(1.0, static_cast<double>(i) / kModelSteps);
    Vector3d code;
    for (int c = 0; c < 3; ++c) code[c] = srgb_from_linear(out[c] + q * (in[c] - out[c]));
    table[i] = window.axis.dot(code - window.out);
  }
  return table;
}

double look_up(const std::vector<double>& table, double q, double* slope) {
  const double at = std::clamp(q, 0.0, 1.0) * kModelSteps;
  const int i = std::min(kModelSteps - 1, static_cast<int>(at));
  *slope = (table[i + 1] - table[i]) * kModelSteps;
  return table[i] + (at - i) * (table[i + 1] - table[i]);
}

constexpr int kUnknowns = 15;  // 4 curves of 3, two blurs (log), gain (log)
// Prior sigmas of the nuisance parameters: a factor of two for the blur, half a photographic stop
// for whites beyond the limit.
constexpr double kLogBlurSigma = 0.7, kLogGainSigma = 0.35;

/// Normal equations of one edge's pixels for its curve (3), blur (log) and the gain (log).
void add_pixels(const BodyModel& body, int e, Eigen::Matrix<double, 5, 5>& part,
                Eigen::Matrix<double, 5, 1>& part_right) {
  part.setZero();
  part_right.setZero();
  const double blur = body.blur[e % 2];
  for (const EdgeWindow& w : body.window[e]) {
    if (!w.usable) continue;
    for (const Pixel& p : w.pixel) {
      const Vector3d basis = body.edge[e].basis(p.t);
      const double z = (p.u - body.edge[e].c.dot(basis)) / blur;
      if (std::abs(z) > 4) continue;  // no information on the edge position
      double slope = 0, unused = 0;
      const auto [q, density] = normal_at(z);
      const double r = (w.axis.dot(p.code - w.out) - look_up(w.model, q, &slope)) / w.sigma;
      const double weight = std::abs(r) < 3 ? 1 : 3 / std::abs(r);  // Huber
      const double rate = slope * density / w.sigma;
      Eigen::Matrix<double, 5, 1> j;
      j.head<3>() = -rate / blur * basis;
      j[3] = -rate * z;
      j[4] = body.clipped ? (look_up(w.model_brighter, q, &unused) - look_up(w.model, q, &unused)) /
                                (kGainStep * w.sigma)
                          : 0;
      part += weight * j * j.transpose();
      part_right += weight * r * j;
    }
  }
}

}  // namespace

// Blur mixes light before the tone curve, so that the half-way code of a blurred edge lies on its
// dark side.
double linear_from_srgb(double code) {
  const double v = std::clamp(code / 255, 0.0, 1.0);
  return v <= 0.04045 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4);
}

void collect_pixels(const cv::Mat& bgr, BodyModel& body, double skip, double reach,
                    int most_stride) {
  for_each_edge([&](int e) {
    const EdgeCurve& edge = body.edge[e];
    const double t0 = skip, t1 = edge.length - skip;
    // Enough of them that a stripe across a small card leaves most.
    constexpr int kLinesPerWindow = 8, kMinWindows = 12, kMaxWindows = 200;
    const int stride =
        std::clamp(static_cast<int>((t1 - t0) / (kLinesPerWindow * kMinWindows)), 1, most_stride);
    const int n = std::clamp(static_cast<int>((t1 - t0) / (kLinesPerWindow * stride)), kMinWindows,
                             kMaxWindows);
    std::vector<EdgeWindow>& windows = body.window[e];
    windows.assign(static_cast<std::size_t>(n), {});
    for (EdgeWindow& w : windows) w.pixel.reserve(static_cast<std::size_t>(24 * reach));
    for (int i = 0; i < n; ++i) windows[i].t_mid = t0 + (i + 0.5) * (t1 - t0) / n;
    visit_band(bgr, edge, t0, t1, reach, stride, [&](int x, int y, double t, double u) {
      const int i = std::min(n - 1, static_cast<int>((t - t0) / (t1 - t0) * n));
      const auto& c = bgr.at<cv::Vec3b>(y, x);
      windows[i].pixel.push_back(
          {static_cast<float>(t), static_cast<float>(u), Vector3d(c[0], c[1], c[2])});
    });
  });
}

void estimate_colours(BodyModel& body) {
  std::array<int, 4> clipped{}, usable{};
  for_each_edge([&](int e) {
    // The noise is the edge's own; a little more than rounding keeps a clipped side invertible.
    Matrix3d scatter = Matrix3d::Zero();
    int count = 0;
    for (EdgeWindow& w : body.window[e]) {
      measure_sides(w, body.edge[e], body.blur[e % 2], scatter, count);
    }
    const Matrix3d noise = scatter / std::max(1, count) + 0.25 * Matrix3d::Identity();
    for (EdgeWindow& w : body.window[e]) {
      choose_axis(w, noise, static_cast<int>(w.pixel.size()) / 3);
      if (!w.usable) continue;
      ++usable[e];
      clipped[e] += std::max(w.in.maxCoeff(), w.out.maxCoeff()) >= kClipCode;
    }
  });
  body.clipped = 2 * std::accumulate(clipped.begin(), clipped.end(), 0) >
                 std::accumulate(usable.begin(), usable.end(), 0);
  if (!body.clipped) body.log_gain = 0;
  for_each_edge([&](int e) {
    for (EdgeWindow& w : body.window[e]) {
      if (!w.usable) continue;
      w.model = model_table(w, std::exp(body.log_gain));
      if (body.clipped) w.model_brighter = model_table(w, std::exp(body.log_gain + kGainStep));
    }
  });
}

double gauss_newton_step(BodyModel& body) {
  std::array<Eigen::Matrix<double, 5, 5>, 4> parts;
  std::array<Eigen::Matrix<double, 5, 1>, 4> part_rights;
  for_each_edge([&](int e) { add_pixels(body, e, parts[e], part_rights[e]); });
  Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(kUnknowns, kUnknowns);
  Eigen::VectorXd right = Eigen::VectorXd::Zero(kUnknowns);
  for (int e = 0; e < 4; ++e) {
    const std::array<int, 5> index = {3 * e, 3 * e + 1, 3 * e + 2, 12 + e % 2, 14};
    for (int i = 0; i < 5; ++i) {
      right[index[i]] += part_rights[e][i];
      for (int k = 0; k < 5; ++k) normal(index[i], index[k]) += parts[e](i, k);
    }
  }
  for (int b = 0; b < 2; ++b) {
    normal(12 + b, 12 + b) += 1 / (kLogBlurSigma * kLogBlurSigma);
    right[12 + b] -= std::log(body.blur[b]) / (kLogBlurSigma * kLogBlurSigma);
  }
  normal(14, 14) += 1 / (kLogGainSigma * kLogGainSigma);
  right[14] -= body.log_gain / (kLogGainSigma * kLogGainSigma);
  normal.diagonal().array() += 1e-9;
  const Eigen::VectorXd move = normal.ldlt().solve(right);
  double largest = 0;
  for (Eigen::Index e = 0; e < 4; ++e) {
    const Vector3d m = move.segment<3>(3 * e);
    const double limit = std::min(1.0, 2 / (m.cwiseAbs().maxCoeff() + 1e-12));
    body.edge[e].c += limit * m;
    largest = std::max(largest, m.cwiseAbs().maxCoeff());
  }
  for (int b = 0; b < 2; ++b) {
    body.blur[b] =
        std::clamp(body.blur[b] * std::exp(std::clamp(move[12 + b], -0.5, 0.5)), 0.3, 5.0);
  }
  if (body.clipped) body.log_gain = std::clamp(body.log_gain + move[14], 0.0, 1.5);
  return largest;
}

bool fit_window(const EdgeWindow& w, const EdgeCurve& edge, double blur, double& offset,
                double& chi2_per_pixel) {
  Vector3d p(0, 0, 1);  // offset, low, step
  Matrix3d normal;
  for (int turn = 0; turn < 3; ++turn) {
    normal = Matrix3d::Identity() * 1e-9;
    Vector3d right = Vector3d::Zero();
    double chi2 = 0;
    for (const Pixel& x : w.pixel) {
      const double z = (x.u - edge.u(x.t) - p[0]) / blur;
      double slope = 0;
      const auto [q, density] = normal_at(z);
      const double f = look_up(w.model, q, &slope);
      const double r = (w.axis.dot(x.code - w.out) - p[1] - p[2] * f) / w.sigma;
      const double weight = std::abs(r) < 3 ? 1 : 3 / std::abs(r);
      const Vector3d j = Vector3d(-p[2] * slope * density / blur, 1, f) / w.sigma;
      normal += weight * j * j.transpose();
      right += weight * r * j;
      chi2 += weight * r * r;
    }
    chi2_per_pixel = chi2 / static_cast<double>(w.pixel.size());
    p += normal.ldlt().solve(right);
    if (!p.allFinite() || std::abs(p[0]) > 2.5 || p[2] < 0.3 || p[2] > 3) return false;
  }
  offset = p[0];
  return true;
}

}  // namespace panecard::card
