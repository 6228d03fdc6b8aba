#include "card/plain_edges.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>
#include <opencv2/core/utility.hpp>

namespace panecard::card {
namespace {

using Eigen::Matrix3d;
using Eigen::Vector2d;
using Eigen::Vector3d;

// sRGB (IEC 61966-2-1): light mixes before the camera's tone curve, so that the half-way *code* of
// a blurred edge lies on its dark side. The curve of a given phone differs somewhat.
double light_of(double code) {
  const double v = std::clamp(code / 255, 0.0, 1.0);
  return v <= 0.04045 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4);
}

double code_of(double light) {  // tabulated: the edge model asks for it millions of times
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

double median(std::vector<double> v) {
  if (v.empty()) return 0;
  const auto mid = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), mid, v.end());
  return *mid;
}

struct Pixel {
  float t, u;
  Vector3d code;
};

/// A short stretch of one edge with its own colours on both sides.
struct Window {
  double t_mid = 0;
  std::vector<Pixel> pixel;
  Vector3d out{0, 0, 0}, in{0, 0, 0};  ///< mean codes
  Vector3d axis{0, 0, 0};              ///< (axis . (code - out)) runs from 0 outside to 1 inside
  double sigma = 0;                    ///< noise of one pixel on that axis
  bool usable = false;
  std::vector<double> model, model_brighter;  ///< expected value over the share of inside light
};

constexpr int kModelSteps = 24;
constexpr double kClipCode = 250;
constexpr double kGainStep = 0.05;

/// The edge's own frame and curve u(t) = c0 + c1 s + c2 (s^2 - 1/3), s = 2 t / length - 1.
struct EdgeCurve {
  Vector2d a, d, n;
  double length = 0;
  Vector3d c = Vector3d::Zero();

  EdgeCurve() = default;
  EdgeCurve(PointPx from, PointPx to) : a(from.x, from.y), d(to.x - from.x, to.y - from.y) {
    length = d.norm();
    d /= length;
    n = {-d.y(), d.x()};  // inside: corners run clockwise, y down
  }
  Vector3d basis(double t) const {
    const double s = 2 * t / length - 1;
    return {1, s, s * s - 1.0 / 3};
  }
  double u(double t) const { return c.dot(basis(t)); }
  Vector2d at(double t) const { return a + t * d + u(t) * n; }
};

/// Calls visit(pixel x, y, t, u) for every pixel whose centre is within reach of the curve, in
/// every `stride`-th line across it.
template <typename Visit>
void visit_band(const cv::Mat& bgr, const EdgeCurve& edge, double t0, double t1, double reach,
                int stride, const Visit& visit) {
  const bool flat = std::abs(edge.d.x()) > std::abs(edge.d.y());
  const int major = flat ? 0 : 1, minor = 1 - major;
  const int major_size = flat ? bgr.cols : bgr.rows, minor_size = flat ? bgr.rows : bgr.cols;
  const double from = (edge.a + t0 * edge.d)[major], to = (edge.a + t1 * edge.d)[major];
  const int begin = std::max(0, static_cast<int>(std::floor(std::min(from, to) - reach)));
  const int end = std::min(major_size - 1, static_cast<int>(std::max(from, to) + reach));
  const double half = (reach + std::abs(edge.c[0]) + std::abs(edge.c[1]) + std::abs(edge.c[2])) /
                      std::abs(edge.d[major]);
  for (int i = begin; i <= end; i += stride) {
    const double middle = edge.a[minor] + (i + 0.5 - edge.a[major]) * edge.d[minor] / edge.d[major];
    const int low = std::max(0, static_cast<int>(middle - half - 1));
    const int high = std::min(minor_size - 1, static_cast<int>(middle + half + 1));
    for (int k = low; k <= high; ++k) {
      const int x = flat ? i : k, y = flat ? k : i;
      const Vector2d r = Vector2d(x + 0.5, y + 0.5) - edge.a;
      const double t = r.dot(edge.d);
      if (t < t0 || t >= t1) continue;
      const double u = r.dot(edge.n);
      if (std::abs(u - edge.u(t)) <= reach) visit(x, y, t, u);
    }
  }
}

/// Rough place of the edge: per stretch the largest colour step, then the line most of them share.
bool locate(const cv::Mat& bgr, EdgeCurve& edge, double t0, double t1, double reach) {
  constexpr int kStretches = 24, kSide = 3;
  const int bins = 2 * static_cast<int>(std::ceil(reach)) + 2 * kSide;
  std::vector<Vector3d> sum(static_cast<std::size_t>(kStretches * bins), Vector3d::Zero());
  std::vector<int> count(sum.size(), 0);
  visit_band(bgr, edge, t0, t1, bins / 2.0, 1, [&](int x, int y, double t, double u) {
    const int s = std::min(kStretches - 1, static_cast<int>((t - t0) / (t1 - t0) * kStretches));
    const int b = std::clamp(static_cast<int>(u - edge.u(t) + bins / 2.0), 0, bins - 1);
    const auto& c = bgr.at<cv::Vec3b>(y, x);
    sum[s * bins + b] += Vector3d(c[0], c[1], c[2]);
    ++count[s * bins + b];
  });
  std::vector<Vector2d> step;  // t, u
  for (int s = 0; s < kStretches; ++s) {
    double best = 0, best_u = 0;
    for (int b = kSide; b + kSide <= bins; ++b) {
      Vector3d difference = Vector3d::Zero();
      for (int k = 0; k < kSide; ++k) {
        const int in = s * bins + b + k, out = s * bins + b - 1 - k;
        if (count[in] > 0) difference += sum[in] / count[in];
        if (count[out] > 0) difference -= sum[out] / count[out];
      }
      const double u = b - bins / 2.0;
      const double strength = difference.squaredNorm() * std::exp(-u * u / (2 * reach * reach));
      if (strength > best) {
        best = strength;
        best_u = u;
      }
    }
    step.emplace_back(t0 + (s + 0.5) * (t1 - t0) / kStretches, best_u);
  }
  int most = 0;
  double p0 = 0, p1 = 0;
  for (int i = 0; i < kStretches; ++i) {
    for (int k = i + kStretches / 4; k < kStretches; ++k) {
      const double slope = (step[k].y() - step[i].y()) / (step[k].x() - step[i].x());
      int agree = 0;
      for (const Vector2d& q : step) {
        agree += std::abs(step[i].y() + slope * (q.x() - step[i].x()) - q.y()) < 1.2;
      }
      if (agree > most) {
        most = agree;
        p0 = step[i].y() - slope * step[i].x();
        p1 = slope;
      }
    }
  }
  edge.c += Vector3d(p0 + p1 * edge.length / 2, p1 * edge.length / 2, 0);
  return 2 * most >= kStretches;
}

/// Mean colours beside the edge and the noise about them.
void measure_sides(Window& window, const EdgeCurve& edge, double blur, Matrix3d& scatter,
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

/// Best axis in colour space (Fisher's discriminant), and whether there is a step at all.
void choose_axis(Window& window, const Matrix3d& noise, int per_side) {
  if (!window.usable) return;
  const Vector3d difference = window.in - window.out;
  const Vector3d w = noise.ldlt().solve(difference);
  const double snr2 = w.dot(difference);
  window.usable = snr2 * per_side / 2 > 30;  // 5 sigma over three colours, of the means' difference
  if (!window.usable) return;
  window.axis = w / snr2;
  window.sigma = 1 / std::sqrt(snr2);
}

std::vector<double> model_table(const Window& window, double gain) {
  std::vector<double> table(kModelSteps + 2);
  Vector3d out, in;
  for (int c = 0; c < 3; ++c) {
    out[c] = light_of(window.out[c]) * (window.out[c] >= kClipCode ? gain : 1);
    in[c] = light_of(window.in[c]) * (window.in[c] >= kClipCode ? gain : 1);
  }
  for (int i = 0; i <= kModelSteps + 1; ++i) {
    const double q = std::min(1.0, static_cast<double>(i) / kModelSteps);
    Vector3d code;
    for (int c = 0; c < 3; ++c) code[c] = code_of(out[c] + q * (in[c] - out[c]));
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

struct Body {
  std::array<EdgeCurve, 4> edge;
  std::array<std::vector<Window>, 4> window;
  std::array<double, 2> blur = {1.0, 1.0};  ///< of edges 0 and 2, of edges 1 and 3
  double log_gain = 0;
  bool clipped = false;
};

constexpr int kUnknowns = 15;  // 4 curves of 3, two blurs (log), gain (log)
// Priors of the nuisances: a lens and its blur over a pixel or so either way; whites over the limit
// by up to about one photographic stop.
constexpr double kLogBlurSigma = 0.7, kLogGainSigma = 0.35;

template <typename Work>
void for_each_edge(const Work& work) {
  cv::parallel_for_({0, 4}, [&](const cv::Range& range) {
    for (int e = range.start; e < range.end; ++e) work(e);
  });
}

/// @param most_stride  of the lines of pixels across an edge that is long enough to leave some out
void gather(const cv::Mat& bgr, Body& body, double skip, double reach, int most_stride) {
  for_each_edge([&](int e) {
    const EdgeCurve& edge = body.edge[e];
    const double t0 = skip, t1 = edge.length - skip;
    // Enough of them that a stripe across a small card leaves most.
    constexpr int kLines = 8, kLeast = 12, kMost = 200;
    const int stride = std::clamp(static_cast<int>((t1 - t0) / (kLines * kLeast)), 1, most_stride);
    const int n = std::clamp(static_cast<int>((t1 - t0) / (kLines * stride)), kLeast, kMost);
    std::vector<Window>& windows = body.window[e];
    windows.assign(static_cast<std::size_t>(n), {});
    for (Window& w : windows) w.pixel.reserve(static_cast<std::size_t>(24 * reach));
    for (int i = 0; i < n; ++i) windows[i].t_mid = t0 + (i + 0.5) * (t1 - t0) / n;
    visit_band(bgr, edge, t0, t1, reach, stride, [&](int x, int y, double t, double u) {
      const int i = std::min(n - 1, static_cast<int>((t - t0) / (t1 - t0) * n));
      const auto& c = bgr.at<cv::Vec3b>(y, x);
      windows[i].pixel.push_back(
          {static_cast<float>(t), static_cast<float>(u), Vector3d(c[0], c[1], c[2])});
    });
  });
}

/// Colours, noise, axis and expected profile of every window.
void describe(Body& body) {
  std::array<int, 4> clipped{}, usable{};
  for_each_edge([&](int e) {
    // The noise is the edge's own; a little more than rounding keeps a clipped side invertible.
    Matrix3d scatter = Matrix3d::Zero();
    int count = 0;
    for (Window& w : body.window[e]) {
      measure_sides(w, body.edge[e], body.blur[e % 2], scatter, count);
    }
    const Matrix3d noise = scatter / std::max(1, count) + 0.25 * Matrix3d::Identity();
    for (Window& w : body.window[e]) {
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
    for (Window& w : body.window[e]) {
      if (!w.usable) continue;
      w.model = model_table(w, std::exp(body.log_gain));
      if (body.clipped) w.model_brighter = model_table(w, std::exp(body.log_gain + kGainStep));
    }
  });
}

/// What the pixels along one edge say of its curve, its blur and the gain: normal equations.
void add_pixels(const Body& body, int e, Eigen::Matrix<double, 5, 5>& part,
                Eigen::Matrix<double, 5, 1>& part_right) {
  part.setZero();
  part_right.setZero();
  const double blur = body.blur[e % 2];
  for (const Window& w : body.window[e]) {
    if (!w.usable) continue;
    for (const Pixel& p : w.pixel) {
      const Vector3d basis = body.edge[e].basis(p.t);
      const double z = (p.u - body.edge[e].c.dot(basis)) / blur;
      if (std::abs(z) > 4) continue;  // says nothing about the place of the edge
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

/// One damped-free Gauss-Newton step of all curves, blurs and the gain together.
double step_all(Body& body) {
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

/// Edge place in one window: offset from the curve, with the two levels free. False: no agreement.
bool fit_window(const Window& w, const EdgeCurve& edge, double blur, double& offset,
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

/// Polynomial through (t, offset) in the edge's basis, three rounds of 3 sigma (MAD) rejection.
Vector3d smooth_fit(const EdgeCurve& edge, const std::vector<double>& t,
                    const std::vector<double>& offset, std::vector<bool>& good, double& sigma) {
  Vector3d c = Vector3d::Zero();
  good.assign(t.size(), true);
  for (int turn = 0; turn < 4; ++turn) {
    Matrix3d normal = 1e-9 * Matrix3d::Identity();
    Vector3d right = Vector3d::Zero();
    for (std::size_t i = 0; i < t.size(); ++i) {
      if (!good[i]) continue;
      const Vector3d b = edge.basis(t[i]);
      normal += b * b.transpose();
      right += offset[i] * b;
    }
    c = normal.ldlt().solve(right);
    std::vector<double> distance;
    for (std::size_t i = 0; i < t.size(); ++i) {
      distance.push_back(std::abs(offset[i] - c.dot(edge.basis(t[i]))));
    }
    sigma = std::max(1.4826 * median(distance), 0.005);
    for (std::size_t i = 0; i < t.size(); ++i) good[i] = distance[i] < 3 * sigma;
  }
  return c;
}

/// How much the colour just inside varies along an edge, as a share of the step to the outside.
double unevenness_of(const std::vector<Window>& windows) {
  std::array<std::vector<double>, 3> inside;
  std::vector<double> step, spread;
  for (const Window& w : windows) {
    if (!w.usable) continue;
    for (int c = 0; c < 3; ++c) inside[c].push_back(w.in[c]);
    step.push_back((w.in - w.out).norm());
  }
  const Vector3d usual(median(inside[0]), median(inside[1]), median(inside[2]));
  for (const Window& w : windows) {
    if (w.usable) spread.push_back((w.in - usual).norm());
  }
  return median(spread) / std::max(1.0, median(step));
}

void sample_edge(Body& body, int e, EdgeTrace& trace) {
  EdgeCurve& edge = body.edge[e];
  std::vector<double> t, offset, chi2, contrast;
  for (const Window& w : body.window[e]) {
    double o = 0, x = 0;
    if (!w.usable || !fit_window(w, edge, body.blur[e % 2], o, x)) continue;
    t.push_back(w.t_mid);
    offset.push_back(o);
    chi2.push_back(x);
    contrast.push_back(1 / w.sigma);
  }
  if (t.size() < 5) return;
  // A window that straddles a change of the background, or a mark, fits worse than its neighbours.
  const double usual = std::max(median(chi2), 0.2);
  std::vector<double> clean_t, clean_offset;
  for (std::size_t i = 0; i < t.size(); ++i) {
    if (chi2[i] > 3 * usual) continue;
    clean_t.push_back(t[i]);
    clean_offset.push_back(offset[i]);
  }
  if (clean_t.size() < 5) return;
  std::vector<bool> good;
  const Vector3d shift = smooth_fit(edge, clean_t, clean_offset, good, trace.sigma_px);
  const double begin = body.window[e].front().t_mid, end = body.window[e].back().t_mid;
  double first = end, last = begin;
  for (std::size_t i = 0; i < clean_t.size(); ++i) {
    if (!good[i]) continue;
    first = std::min(first, clean_t[i]);
    last = std::max(last, clean_t[i]);
    const Vector2d at = edge.at(clean_t[i]) + clean_offset[i] * edge.n;
    trace.seen.push_back({at.x(), at.y()});
  }
  // Two stretches, or 3 %, may be lost to a mark or a change beside the edge.
  const double spare = std::max(2.0 / static_cast<double>(body.window[e].size()), 0.03) * 1.01;
  trace.seen_to_end = {first - begin <= spare * (end - begin) + 1e-9,
                       end - last <= spare * (end - begin) + 1e-9};
  edge.c += shift;
  trace.bow_px = edge.c[2];
  trace.contrast = median(contrast);
  trace.unevenness = unevenness_of(body.window[e]);
  trace.coverage =
      static_cast<double>(trace.seen.size()) / static_cast<double>(body.window[e].size());
  trace.line_sigma_px =
      trace.sigma_px / std::sqrt(std::max(1.0, static_cast<double>(trace.seen.size())));
}

/// Where the end of curve p meets the start of curve q.
PointPx meet(const EdgeCurve& p, const EdgeCurve& q) {
  double t = p.length, s = 0;
  Vector2d at = p.at(t);
  for (int turn = 0; turn < 4; ++turn) {
    const Vector2d a = p.at(t), b = q.at(s);
    const Vector2d da = p.at(t + 0.5) - p.at(t - 0.5), db = q.at(s + 0.5) - q.at(s - 0.5);
    const double turn_sin = da.x() * db.y() - da.y() * db.x();
    if (std::abs(turn_sin) < 0.1) break;
    const Vector2d r = b - a;
    t += (r.x() * db.y() - r.y() * db.x()) / turn_sin;
    s += (r.x() * da.y() - r.y() * da.x()) / turn_sin;
    at = p.at(t);
  }
  return {at.x(), at.y()};
}

/// Straight frames through the present corners; curves start again at their bow only.
bool reframe(Body& body) {
  std::array<PointPx, 4> corner;
  for (int e = 0; e < 4; ++e) corner[e] = meet(body.edge[(e + 3) % 4], body.edge[e]);
  for (int e = 0; e < 4; ++e) {
    const PointPx a = corner[e], b = corner[(e + 1) % 4];
    const double length = std::hypot(b.x - a.x, b.y - a.y);
    if (!(length > 20) || length > 4 * body.edge[e].length) return false;
    const double bow = body.edge[e].c[2];
    body.edge[e] = EdgeCurve(a, b);
    body.edge[e].c = {-2 * bow / 3, 0, bow};  // zero at both ends
  }
  return true;
}

double skip_px(const Body& body, double skip_share) {
  double shortest = 1e9;
  for (const EdgeCurve& edge : body.edge) shortest = std::min(shortest, edge.length);
  return skip_share * shortest + 1;
}

}  // namespace

bool sharpen_corners(const cv::Mat& bgr, double skip_share, double reach_px,
                     std::array<PointPx, 4>& corner) {
  Body body;
  for (int e = 0; e < 4; ++e) body.edge[e] = EdgeCurve(corner[e], corner[(e + 1) % 4]);
  for (const double reach : {reach_px, reach_px / 2}) {
    const double skip = skip_px(body, skip_share);
    for (EdgeCurve& edge : body.edge) {
      if (!locate(bgr, edge, skip, edge.length - skip, reach)) return false;
    }
    if (!reframe(body)) return false;
  }
  // A quarter of a pixel is enough here, and what is left of many outlines is looked at again.
  gather(bgr, body, skip_px(body, skip_share), 6, 4);
  for (int turn = 0; turn < 2; ++turn) {
    describe(body);
    step_all(body);
  }
  if (!reframe(body)) return false;
  for (int e = 0; e < 4; ++e) corner[e] = {body.edge[e].a.x(), body.edge[e].a.y()};
  return true;
}

BodyTrace trace_body(const cv::Mat& bgr, const std::array<PointPx, 4>& corner, double skip_share) {
  BodyTrace trace;
  Body body;
  for (int e = 0; e < 4; ++e) body.edge[e] = EdgeCurve(corner[e], corner[(e + 1) % 4]);
  const auto regather = [&] {
    const double reach = 3 * std::max(body.blur[0], body.blur[1]) + 3;
    gather(bgr, body, skip_px(body, skip_share), std::clamp(reach, 5.0, 14.0), 1);
  };
  for (const int turns : {3, 6}) {  // the blur, found first, says how far out an edge reaches
    regather();
    for (int turn = 0; turn < turns; ++turn) {
      describe(body);
      if (step_all(body) < 2e-3) break;
    }
    if (!reframe(body)) return trace;
  }
  regather();
  describe(body);
  double ends = 0;
  trace.valid = true;
  for_each_edge([&](int e) { sample_edge(body, e, trace.edge[e]); });
  for (int e = 0; e < 4; ++e) {
    trace.valid = trace.valid && !trace.edge[e].seen.empty();
    ends = std::max(ends, 2 * trace.edge[e].line_sigma_px);
  }
  for (int e = 0; e < 4; ++e) trace.corner[e] = meet(body.edge[(e + 3) % 4], body.edge[e]);
  trace.corner_sigma_px = ends;
  trace.blur_px = (body.blur[0] + body.blur[1]) / 2;
  trace.over_exposure = std::exp(body.log_gain);
  return trace;
}

CornerCut corner_cut(const cv::Mat& bgr, PointPx corner, PointPx inside, double reach_px,
                     double blur_px) {
  CornerCut cut;
  EdgeCurve line(corner, inside);
  // Bins one pixel long along the diagonal, a few wide: the arc is near its tangent there.
  const double width = std::max(1.5, reach_px / 8);
  const int before = 4, bins = before + static_cast<int>(std::ceil(reach_px)) + 4;
  std::vector<Vector3d> sum(bins, Vector3d::Zero());
  std::vector<int> count(bins, 0);
  visit_band(bgr, line, -before, bins - before, width, 1, [&](int x, int y, double t, double) {
    const int b = std::clamp(static_cast<int>(std::floor(t)) + before, 0, bins - 1);
    const auto& c = bgr.at<cv::Vec3b>(y, x);
    sum[b] += Vector3d(c[0], c[1], c[2]);
    ++count[b];
  });
  for (int b = 0; b < bins; ++b) {
    if (count[b] == 0) return cut;
    sum[b] /= count[b];
  }
  Vector3d out = Vector3d::Zero(), in = Vector3d::Zero();
  for (int k = 0; k < 3; ++k) {
    out += sum[k] / 3;
    in += sum[bins - 1 - k] / 3;
  }
  const Vector3d axis = in - out;
  const double step = axis.squaredNorm();
  if (step < 25) return cut;
  // First place, from outside, where the profile is half way in light.
  const auto share = [&](int b) {
    double up = 0, all = 0;
    for (int c = 0; c < 3; ++c) {
      const double o = light_of(out[c]), i = light_of(in[c]);
      up += (light_of(sum[b][c]) - o) * (i - o);
      all += (i - o) * (i - o);
    }
    return up / all;
  };
  for (int b = 1; b < bins; ++b) {
    const double s0 = share(b - 1), s1 = share(b);
    if (s0 < 0.5 && s1 >= 0.5) {
      cut.at_px = b - 0.5 + (0.5 - s0) / (s1 - s0) - before;
      cut.sigma_px = 0.25 + 0.3 * blur_px;
      return cut;
    }
  }
  return cut;
}

}  // namespace panecard::card
