#include "card/plain_edges.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "card/edge_model.h"

namespace panecard::card {
namespace {

using Eigen::Matrix3d;
using Eigen::Vector2d;
using Eigen::Vector3d;

double median(std::vector<double> v) {
  if (v.empty()) return 0;
  const auto mid = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), mid, v.end());
  return *mid;
}

/// Coarse position of the edge: the largest colour step in each of 24 sections, then the line that
/// most of them support (exhaustive RANSAC). False when less than half of them do.
bool locate_coarsely(const cv::Mat& bgr, EdgeCurve& edge, double t0, double t1, double reach) {
  constexpr int kSections = 24, kSide = 3;
  const int bins = 2 * static_cast<int>(std::ceil(reach)) + 2 * kSide;
  std::vector<Vector3d> sum(static_cast<std::size_t>(kSections * bins), Vector3d::Zero());
  std::vector<int> count(sum.size(), 0);
  visit_band(bgr, edge, t0, t1, bins / 2.0, 1, [&](int x, int y, double t, double u) {
    const int s = std::min(kSections - 1, static_cast<int>((t - t0) / (t1 - t0) * kSections));
    const int b = std::clamp(static_cast<int>(u - edge.u(t) + bins / 2.0), 0, bins - 1);
    const auto& c = bgr.at<cv::Vec3b>(y, x);
    sum[s * bins + b] += Vector3d(c[0], c[1], c[2]);
    ++count[s * bins + b];
  });
  std::vector<Vector2d> step;  // t, u
  for (int s = 0; s < kSections; ++s) {
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
    step.emplace_back(t0 + (s + 0.5) * (t1 - t0) / kSections, best_u);
  }
  int most = 0;
  double p0 = 0, p1 = 0;
  for (int i = 0; i < kSections; ++i) {
    for (int k = i + kSections / 4; k < kSections; ++k) {
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
  return 2 * most >= kSections;
}

/// Least squares polynomial through (t, offset) in the basis of the edge, with three rounds of
/// rejection at 3 sigma (MAD).
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

/// Spread of the colour just inside along an edge, as a share of the step to the outside.
double colour_spread_of(const std::vector<EdgeWindow>& windows) {
  std::array<std::vector<double>, 3> inside;
  std::vector<double> step, spread;
  for (const EdgeWindow& w : windows) {
    if (!w.usable) continue;
    for (int c = 0; c < 3; ++c) inside[c].push_back(w.in[c]);
    step.push_back((w.in - w.out).norm());
  }
  const Vector3d typical(median(inside[0]), median(inside[1]), median(inside[2]));
  for (const EdgeWindow& w : windows) {
    if (w.usable) spread.push_back((w.in - typical).norm());
  }
  return median(spread) / std::max(1.0, median(step));
}

void sample_edge(BodyModel& body, int e, EdgeFit& fit) {
  EdgeCurve& edge = body.edge[e];
  std::vector<double> t, offset, chi2, contrast;
  for (const EdgeWindow& w : body.window[e]) {
    double o = 0, x = 0;
    if (!w.usable || !fit_window(w, edge, body.blur[e % 2], o, x)) continue;
    t.push_back(w.t_mid);
    offset.push_back(o);
    chi2.push_back(x);
    contrast.push_back(1 / w.sigma);
  }
  if (t.size() < 5) return;
  // A window across a change of the background, or a mark, has a larger chi-square than the others.
  const double typical = std::max(median(chi2), 0.2);
  std::vector<double> clean_t, clean_offset;
  for (std::size_t i = 0; i < t.size(); ++i) {
    if (chi2[i] > 3 * typical) continue;
    clean_t.push_back(t[i]);
    clean_offset.push_back(offset[i]);
  }
  if (clean_t.size() < 5) return;
  std::vector<bool> good;
  const Vector3d shift = smooth_fit(edge, clean_t, clean_offset, good, fit.sigma_px);
  const double begin = body.window[e].front().t_mid, end = body.window[e].back().t_mid;
  double first = end, last = begin;
  for (std::size_t i = 0; i < clean_t.size(); ++i) {
    if (!good[i]) continue;
    first = std::min(first, clean_t[i]);
    last = std::max(last, clean_t[i]);
    const Vector2d at = edge.at(clean_t[i]) + clean_offset[i] * edge.n;
    fit.seen.push_back({at.x(), at.y()});
  }
  // Two windows, or 3 %, may be lost to a mark or a change beside the edge.
  const double spare = std::max(2.0 / static_cast<double>(body.window[e].size()), 0.03) * 1.01;
  fit.reaches_end = {first - begin <= spare * (end - begin) + 1e-9,
                     end - last <= spare * (end - begin) + 1e-9};
  edge.c += shift;
  fit.sagitta_px = edge.c[2];
  fit.contrast = median(contrast);
  fit.colour_spread = colour_spread_of(body.window[e]);
  fit.coverage = static_cast<double>(fit.seen.size()) / static_cast<double>(body.window[e].size());
  fit.line_sigma_px = fit.sigma_px / std::sqrt(std::max(1.0, static_cast<double>(fit.seen.size())));
}

/// Intersection of the end of curve p with the start of curve q.
PointPx intersection(const EdgeCurve& p, const EdgeCurve& q) {
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

/// Redefines the straight frames through the present corners; the curves keep their sagitta only.
bool reset_frames(BodyModel& body) {
  std::array<PointPx, 4> corner;
  for (int e = 0; e < 4; ++e) corner[e] = intersection(body.edge[(e + 3) % 4], body.edge[e]);
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

double skip_px(const BodyModel& body, double end_share) {
  double shortest = 1e9;
  for (const EdgeCurve& edge : body.edge) shortest = std::min(shortest, edge.length);
  return end_share * shortest + 1;
}

}  // namespace

bool refine_corners(const cv::Mat& bgr, double end_share, double reach_px,
                    std::array<PointPx, 4>& corner) {
  BodyModel body;
  for (int e = 0; e < 4; ++e) body.edge[e] = EdgeCurve(corner[e], corner[(e + 1) % 4]);
  for (const double reach : {reach_px, reach_px / 2}) {
    const double skip = skip_px(body, end_share);
    for (EdgeCurve& edge : body.edge) {
      if (!locate_coarsely(bgr, edge, skip, edge.length - skip, reach)) return false;
    }
    if (!reset_frames(body)) return false;
  }
  // A quarter of a pixel is enough here: outlines that pass the next test are fitted again.
  collect_pixels(bgr, body, skip_px(body, end_share), 6, 4);
  for (int turn = 0; turn < 2; ++turn) {
    estimate_colours(body);
    gauss_newton_step(body);
  }
  if (!reset_frames(body)) return false;
  for (int e = 0; e < 4; ++e) corner[e] = {body.edge[e].a.x(), body.edge[e].a.y()};
  return true;
}

OutlineFit fit_outline(const cv::Mat& bgr, const std::array<PointPx, 4>& corner, double end_share) {
  OutlineFit fit;
  BodyModel body;
  for (int e = 0; e < 4; ++e) body.edge[e] = EdgeCurve(corner[e], corner[(e + 1) % 4]);
  const auto recollect = [&] {
    const double reach = 3 * std::max(body.blur[0], body.blur[1]) + 3;
    collect_pixels(bgr, body, skip_px(body, end_share), std::clamp(reach, 5.0, 14.0), 1);
  };
  for (const int turns : {3, 6}) {  // the blur of the first fit sets the reach of the second
    recollect();
    for (int turn = 0; turn < turns; ++turn) {
      estimate_colours(body);
      if (gauss_newton_step(body) < 2e-3) break;
    }
    if (!reset_frames(body)) return fit;
  }
  recollect();
  estimate_colours(body);
  double ends = 0;
  fit.valid = true;
  for_each_edge([&](int e) { sample_edge(body, e, fit.edge[e]); });
  for (int e = 0; e < 4; ++e) {
    fit.valid = fit.valid && !fit.edge[e].seen.empty();
    ends = std::max(ends, 2 * fit.edge[e].line_sigma_px);
  }
  for (int e = 0; e < 4; ++e) fit.corner[e] = intersection(body.edge[(e + 3) % 4], body.edge[e]);
  fit.corner_sigma_px = ends;
  fit.blur_px = (body.blur[0] + body.blur[1]) / 2;
  fit.over_exposure = std::exp(body.log_gain);
  return fit;
}

CornerArc locate_corner_arc(const cv::Mat& bgr, PointPx corner, PointPx inside, double reach_px,
                            double blur_px) {
  CornerArc arc;
  EdgeCurve line(corner, inside);
  // Bins one pixel long along the diagonal and a few wide: there the arc is close to its tangent.
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
    if (count[b] == 0) return arc;
    sum[b] /= count[b];
  }
  Vector3d out = Vector3d::Zero(), in = Vector3d::Zero();
  for (int k = 0; k < 3; ++k) {
    out += sum[k] / 3;
    in += sum[bins - 1 - k] / 3;
  }
  const Vector3d axis = in - out;
  const double step = axis.squaredNorm();
  if (step < 25) return arc;
  // First position, from outside, where the profile passes half of the step in linear light.
  const auto share = [&](int b) {
    double up = 0, all = 0;
    for (int c = 0; c < 3; ++c) {
      const double o = linear_from_srgb(out[c]), i = linear_from_srgb(in[c]);
      up += (linear_from_srgb(sum[b][c]) - o) * (i - o);
      all += (i - o) * (i - o);
    }
    return up / all;
  };
  for (int b = 1; b < bins; ++b) {
    const double s0 = share(b - 1), s1 = share(b);
    if (s0 < 0.5 && s1 >= 0.5) {
      arc.distance_px = b - 0.5 + (0.5 - s0) / (s1 - s0) - before;
      arc.sigma_px = 0.25 + 0.3 * blur_px;
      return arc;
    }
  }
  return arc;
}

}  // namespace panecard::card
