#include "outline/outline.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>

#include "outline/assemble.h"
#include "outline/choose.h"
#include "outline/noise.h"
#include "outline/sources.h"

namespace panecard::outline {
namespace {

double chi2_ratio(const Chain& chain, const Samples& samples) {
  return chain.chi2 / std::max(1.0, samples.expected_chi2 - free_unknowns(chain));
}

/// Ratio of residual to expected variance above which the pieces are taken as wrong.
constexpr double kMisfit = 4;

/// From coarse to fine: with a large noise the chain has few pieces and converges; it is refined
/// from there. A start with many short pieces seldom converges.
Chain fit_coarse_to_fine(const Contour& contour, const Noise& noise, Samples& samples) {
  constexpr double kFirst_mm = 0.02;
  samples = samples_of(contour, noise);
  if (noise.discrepancy_mm == 0) {
    Chain chain = choose(samples);
    if (chain.converged && chi2_ratio(chain, samples) < kMisfit) return chain;
  }
  for (const double factor : {4.0, 2.0, 8.0, 1.0, 16.0}) {
    Noise coarse = noise;
    coarse.discrepancy_mm = factor * std::max(kFirst_mm, noise.discrepancy_mm);
    const Samples loose = samples_of(contour, coarse);
    Chain chain = choose(loose);
    if (!chain.converged || chi2_ratio(chain, loose) >= kMisfit) continue;
    Chain fine = improved(std::move(chain), samples);
    if (fine.converged) return fine;
  }
  return {};
}

/// Conditions the modes on the dropped term being zero (Gaussian conditioning, as in a Kalman
/// update): a side that is straight says how little the sources that would have bent it are off.
/// The points move by the conditional mean.
void condition_on_zero(const DroppedTerm& dropped, const Eigen::MatrixXd& steps, Contour& contour) {
  const Eigen::VectorXd effect = steps.transpose() * dropped.gradient;
  const double variance = effect.squaredNorm();
  const std::size_t n = contour.points.size();
  if (!(variance > 0)) return;
  PolygonMm together(n);
  for (std::size_t m = 0; m < contour.modes.size(); ++m) {
    const double share = effect[static_cast<Eigen::Index>(m)] / variance;
    for (std::size_t i = 0; i < n; ++i) together[i] = together[i] + share * contour.modes[m][i];
  }
  for (std::size_t i = 0; i < n; ++i) {
    contour.points[i] = contour.points[i] - dropped.value * together[i];
  }
  for (std::size_t m = 0; m < contour.modes.size(); ++m) {
    const double share = effect[static_cast<Eigen::Index>(m)];
    for (std::size_t i = 0; i < n; ++i) {
      contour.modes[m][i] = contour.modes[m][i] - share * together[i];
    }
  }
}

/// Whether the chain is further from the contour somewhere than six sigma, the largest of a
/// thousand points, and than a millimetre, which a person would notice.
bool deviates(const Chain& chain, const Contour& c) {
  constexpr double kU95s = 3, kLeast_mm = 1;
  const std::vector<double> u95_mm = u95_normal_mm(c);
  const std::size_t n = c.points.size(), count = chain.links.size();
  for (std::size_t k = 0; k < count; ++k) {
    const std::size_t many = (chain.links[(k + 1) % count].first + n - chain.links[k].first) % n;
    for (std::size_t j = 0; j < many; ++j) {
      const std::size_t i = (chain.links[k].first + j) % n;
      const double off = std::abs(foot_of(chain.links[k], c.points[i]).offset_mm);
      if (off > std::max(kU95s * u95_mm[i], kLeast_mm)) return true;
    }
  }
  return false;
}

/// A converged fit and its input.
struct FitInput {
  const Contour& contour;
  const Noise& noise;
  const Samples& samples;
  const Chain& chain;
  double noise_scale;
};

/// The outline after insignificant terms were dropped one by one; nullopt when the normal equations
/// are singular or the chain deviates from the contour.
/// @param drops  in: at most so many; out: how many were dropped
std::optional<Outline> without_insignificant(const FitInput& f, int& drops) {
  Contour known = f.contour;
  known.mode_sources.resize(known.modes.size(), unnamed());
  Samples samples = f.samples;
  Chain chain = f.chain;
  SourceSteps steps = source_steps(known, f.noise, chain, samples, f.noise_scale);
  const int most = drops;
  for (drops = 0; drops < most && steps.columns.cols() > 0; ++drops) {
    DroppedTerm dropped;
    if (!drop_insignificant(chain, samples, steps.columns, dropped)) break;
    condition_on_zero(dropped, steps.columns, known);
    samples.points = known.points;
    Chain again = chain;
    refine(again, samples);
    if (again.converged) chain = std::move(again);
    steps = source_steps(known, f.noise, chain, samples, f.noise_scale);
  }
  if (steps.columns.cols() == 0) return std::nullopt;
  // The outline is fitted to the points as measured; the shift by conditioning is one more mode.
  known.modes.emplace_back();
  known.mode_sources.emplace_back(ErrorSource::fit);
  for (std::size_t i = 0; i < known.points.size(); ++i) {
    known.modes.back().push_back(known.points[i] - f.contour.points[i]);
  }
  known.points = samples.points = f.contour.points;
  refine(chain, samples);
  if (!chain.converged || (drops > 0 && deviates(chain, f.contour))) return std::nullopt;
  start_lower_left(chain);
  steps = source_steps(known, f.noise, chain, samples, f.noise_scale);
  if (steps.columns.cols() == 0) return std::nullopt;
  return outline_of(f.contour, chain, compress(steps, known, f.noise_scale));
}

}  // namespace

Result<Outline> fit(const Contour& given) {
  const Result<std::size_t> count = checked(given);
  if (!count.ok()) return count.error();
  const Contour contour = thinned(given);
  const double perimeter = perimeter_mm(contour.points);
  const Noise noise = noise_of(contour);
  Samples samples;
  Chain chain = fit_coarse_to_fine(contour, noise, samples);
  if (!chain.converged) return free_outline(contour, perimeter, noise.observation_mm);
  const double noise_scale = std::sqrt(std::max(1.0, chi2_ratio(chain, samples)));
  chain = lines_to_arcs_where_smooth(chain, samples);
  const FitInput fitting{contour, noise, samples, chain, noise_scale};
  constexpr int kMostDrops = 40;
  for (int drops = kMostDrops;; drops /= 2) {
    if (auto outline = without_insignificant(fitting, drops)) return *std::move(outline);
    if (drops == 0) return free_outline(contour, perimeter, noise.observation_mm);
  }
}

}  // namespace panecard::outline
