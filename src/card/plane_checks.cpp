#include "card/plane_checks.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

namespace panecard::card {

namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

// Chance of a false alarm below one in a million per test: chi-square's quantile for two degrees of
// freedom.
constexpr double kChi2Limit = 27.6;

struct Trial {
  Fit fit;
  double gain = 0;  ///< decrease of chi-square over the better model's reduced chi-square
};

/// Decrease of chi-square when parameters are released, predicted by one Newton step (score test):
/// cheap, and exact for small steps.
double expected_gain(const PlaneProblem& problem, const Fit& constrained,
                     const std::vector<int>& free, const std::vector<int>& released) {
  const MatrixXd information = problem.prior_information(released);
  const MatrixXd h = (constrained.normal.matrix + information)(free, free);
  const VectorXd g =
      (constrained.normal.gradient + information * (constrained.value - problem.mean()))(free);
  const VectorXd unit = h.diagonal().cwiseSqrt().cwiseMax(1e-12).cwiseInverse();
  const MatrixXd scaled = unit.asDiagonal() * h * unit.asDiagonal();
  const VectorXd b = unit.cwiseProduct(g);
  return b.dot(scaled.ldlt().solve(b));
}

/// Refits with parameters released from their priors; nullopt when the predicted gain is far below
/// the limit.
std::optional<Trial> with_released(const PlaneProblem& problem, const Fit& constrained,
                                   const std::vector<int>& released) {
  std::vector<int> free = problem.free_parameters();
  for (const int i : released) {
    if (std::find(free.begin(), free.end(), i) == free.end()) free.push_back(i);
  }
  std::sort(free.begin(), free.end());
  if (expected_gain(problem, constrained, free, released) < 0.3 * kChi2Limit) return std::nullopt;
  auto fit = problem.solve(constrained.value, free, 1, released);
  if (!fit) return std::nullopt;
  const double unexplained = std::max(1.0, fit->chi2 / std::max(1.0, fit->degrees_of_freedom));
  const MatrixXd information = problem.prior_information(released);
  const auto total = [&](const Fit& f) {
    const VectorXd d = f.value - problem.mean();
    // Both models use the weights of the better one; otherwise outliers would count in one only.
    return f.residuals.value.cwiseProduct(fit->weight).dot(f.residuals.value) +
           d.dot(information * d);
  };
  const double gain = (total(constrained) - total(*fit)) / unexplained;
  return Trial{std::move(*fit), gain};
}

double half_diagonal_mm(const DetectedCard& card) {
  return 0.5 * std::hypot(card.width_mm, card.height_mm);
}

}  // namespace

std::string card_name(const DetectedCard& card) {
  switch (card.kind) {
    case Kind::sheet:
      return "the coded sheet";
    case Kind::card:
      return "card " + std::to_string(card.id);
    case Kind::plain:
      return "the plain card";
  }
  return "a card";
}

namespace {

struct Explanation {
  double gain = 0;
  std::string text;
};

Explanation inconsistent_card(const PlaneProblem& problem, const Fit& constrained) {
  Explanation worst;
  if (problem.bodies() < 2) return worst;
  struct CardTrials {
    std::optional<Trial> scaled, tilted;
  };
  std::vector<CardTrials> trials(problem.bodies());
  cv::parallel_for_({0, 2 * problem.bodies()}, [&](const cv::Range& range) {
    for (int k = range.start; k < range.end; ++k) {
      const int i = k / 2;
      const auto released = [&](CardParameter one, CardParameter other) {
        return with_released(problem, constrained,
                             {problem.body_index(i, one), problem.body_index(i, other)});
      };
      if (k % 2 == 0) trials[i].scaled = released(kScaleU, kScaleV);
      if (k % 2 == 1) trials[i].tilted = released(kTiltU, kTiltV);
    }
  });
  for (int i = 0; i < problem.bodies(); ++i) {
    const DetectedCard& card = problem.body(i);
    const auto& [scaled, tilted] = trials[i];
    if (scaled && scaled->gain > kChi2Limit && scaled->gain > worst.gain) {
      const double wide = 100 * scaled->fit.value[problem.body_index(i, kScaleU)],
                   high = 100 * scaled->fit.value[problem.body_index(i, kScaleV)];
      worst = {scaled->gain, card_name(card) + " looks " + to_text(wide, 2) + " % wider and " +
                                 to_text(high, 2) + " % higher than it should beside the others (" +
                                 to_text(0.01 * wide * card.width_mm, 2) + " and " +
                                 to_text(0.01 * high * card.height_mm, 2) +
                                 " mm): check its print scale with a ruler, or leave it out"};
    }
    if (tilted && tilted->gain > kChi2Limit && tilted->gain > worst.gain) {
      const double lift_mm = std::hypot(tilted->fit.value[problem.body_index(i, kTiltU)],
                                        tilted->fit.value[problem.body_index(i, kTiltV)]) *
                             2 * half_diagonal_mm(card);
      worst = {tilted->gain, card_name(card) +
                                 " does not lie flat with the others: one side of it stands " +
                                 to_text(lift_mm, 1) +
                                 " mm off the glass; press it down, or lay it on a flat part"};
    }
  }
  return worst;
}

}  // namespace

std::optional<Error> find_contradiction(PlaneProblem problem, const ModelAverage& averaged) {
  problem.set_bend({});
  const Explanation beside_flat = inconsistent_card(problem, averaged.flat);
  const double by_bend = averaged.flat.cost - averaged.best.cost;
  if (beside_flat.gain > std::max(kChi2Limit, by_bend)) {
    return Error{Code::cards_disagree, beside_flat.text};
  }
  problem.set_bend(averaged.best_bend);
  const Explanation beside_bend = inconsistent_card(problem, averaged.best);
  if (beside_bend.gain > 0) return Error{Code::cards_disagree, beside_bend.text};
  return std::nullopt;
}

std::optional<Error> implausible_card(const PlaneProblem& problem, const Fit& fit) {
  constexpr double kMost_mm = 0.5;  // five times the tolerance of a print on paper
  Eigen::Index row = 0;
  for (const Observation& observation : problem.observations()) {
    const std::vector<Corner>& corners = observation.card->corners;
    double squares = 0;
    for (const Corner& corner : corners) {
      for (int axis = 0; axis < 2; ++axis) {
        squares += std::pow(fit.residuals.value[row++] * corner.sigma_px, 2);
      }
    }
    for (const Edge& edge : observation.card->edges)
      row += static_cast<Eigen::Index>(edge.seen.size());
    if (corners.size() < 4) continue;
    const Corner &a = corners.front(), &b = corners.back();
    const double mm_per_px =
        distance(a.on_card, b.on_card) / std::hypot(a.seen.x - b.seen.x, a.seen.y - b.seen.y);
    const double rms_mm = mm_per_px * std::sqrt(squares / static_cast<double>(corners.size()));
    if (!(rms_mm > kMost_mm)) continue;
    return Error{Code::cards_disagree,
                 "the marks of " + card_name(*observation.card) + " lie " + to_text(rms_mm, 1) +
                     " mm from where a flat card has them, from wherever it is seen: it is "
                     "crumpled, or this is a picture of a picture; lay a fresh print on the glass "
                     "itself"};
  }
  return std::nullopt;
}

}  // namespace panecard::card
