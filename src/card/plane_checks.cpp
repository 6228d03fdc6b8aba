#include "card/plane_checks.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

namespace panecard::card {

namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

// Chance of a false alarm below one in a million per test: chi-square quantiles for two and three
// degrees of freedom.
constexpr double kAlarm2 = 27.6, kAlarm3 = 30.7;

struct Trial {
  Fit fit;
  double gain = 0;  ///< fall of chi-square, in units of what the better model leaves unexplained
};

/// What releasing some parameters would gain, from one Newton step: cheap, and exact for small
/// steps.
double expected_gain(const PlaneProblem& problem, const Fit& flat, const std::vector<int>& free,
                     const std::vector<int>& released) {
  const MatrixXd information = problem.prior_information(released);
  const MatrixXd h = (flat.normal.matrix + information)(free, free);
  const VectorXd g = (flat.normal.gradient + information * (flat.value - problem.mean()))(free);
  const VectorXd unit = h.diagonal().cwiseSqrt().cwiseMax(1e-12).cwiseInverse();
  const MatrixXd scaled = unit.asDiagonal() * h * unit.asDiagonal();
  const VectorXd b = unit.cwiseProduct(g);
  return b.dot(scaled.ldlt().solve(b));
}

/// Fits again with some more parameters free of their priors; nullopt when there is clearly nothing
/// to gain.
std::optional<Trial> with_released(const PlaneProblem& problem, const Fit& flat,
                                   const std::vector<int>& released) {
  std::vector<int> free = problem.free_parameters();
  for (const int i : released) {
    if (std::find(free.begin(), free.end(), i) == free.end()) free.push_back(i);
  }
  std::sort(free.begin(), free.end());
  if (expected_gain(problem, flat, free, released) < 0.3 * kAlarm2) return std::nullopt;
  auto fit = problem.solve(flat.value, free, 1, released);
  if (!fit) return std::nullopt;
  const double unexplained = std::max(1.0, fit->chi2 / std::max(1.0, fit->freedom));
  const MatrixXd information = problem.prior_information(released);
  const auto total = [&](const Fit& f) {
    const VectorXd d = f.value - problem.mean();
    // Both models are judged with the weights of the better one, or outliers would count twice.
    return f.residuals.value.cwiseProduct(fit->weight).dot(f.residuals.value) +
           d.dot(information * d);
  };
  const double gain = (total(flat) - total(*fit)) / unexplained;
  return Trial{std::move(*fit), gain};
}

double half_diagonal_mm(const Sighting& card) {
  return 0.5 * std::hypot(card.width_mm, card.height_mm);
}

}  // namespace

std::string card_name(const Sighting& card) {
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

Explanation curved_pane(const PlaneProblem& problem, const std::vector<Sighting>& cards,
                        const Fit& flat) {
  const auto curved = with_released(problem, flat, {kPlaneSize, kPlaneSize + 1, kPlaneSize + 2});
  if (!curved || curved->gain < kAlarm3) return {};
  Eigen::Matrix2d k;
  k << curved->fit.value[kPlaneSize], curved->fit.value[kPlaneSize + 1],
      curved->fit.value[kPlaneSize + 1], curved->fit.value[kPlaneSize + 2];
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> principal(k);
  const double strongest = principal.eigenvalues().cwiseAbs().maxCoeff();
  double reach_mm = 0;
  for (std::size_t i = 0; i < cards.size(); ++i) {
    const double place = std::hypot(flat.value[card_index(i, kX)], flat.value[card_index(i, kY)]);
    reach_mm = std::max(reach_mm, place + half_diagonal_mm(cards[i]));
  }
  const double sag_mm = 0.5 * strongest * reach_mm * reach_mm;
  return {
      curved->gain,
      "the cards fit a curved pane of about " + to_text(1 / strongest, 0) +
          " mm radius much better than a flat one (" + to_text(sag_mm, 1) + " mm at " +
          to_text(reach_mm, 0) +
          " mm from the first card): the outline is that of a flat pane; check a long side with "
          "a tape laid on the glass"};
}

Explanation one_card_wrong(const PlaneProblem& problem, const std::vector<Sighting>& cards,
                           const Fit& flat) {
  Explanation worst;
  for (std::size_t i = 0; i < cards.size() && cards.size() > 1; ++i) {
    const int u = card_index(i, kScaleU), v = card_index(i, kScaleV);
    const auto scaled = with_released(problem, flat, {u, v});
    if (scaled && scaled->gain > kAlarm2 && scaled->gain > worst.gain) {
      const double wide = 100 * scaled->fit.value[u], high = 100 * scaled->fit.value[v];
      worst = {scaled->gain, card_name(cards[i]) + " looks " + to_text(wide, 2) + " % wider and " +
                                 to_text(high, 2) + " % higher than it should beside the others (" +
                                 to_text(0.01 * wide * cards[i].width_mm, 2) + " and " +
                                 to_text(0.01 * high * cards[i].height_mm, 2) +
                                 " mm): check its print scale with a ruler, or leave it out"};
    }
    const int tu = card_index(i, kTiltU), tv = card_index(i, kTiltV);
    const auto tilted = with_released(problem, flat, {tu, tv});
    if (tilted && tilted->gain > kAlarm2 && tilted->gain > worst.gain) {
      const double lift_mm =
          std::hypot(tilted->fit.value[tu], tilted->fit.value[tv]) * 2 * half_diagonal_mm(cards[i]);
      worst = {tilted->gain, card_name(cards[i]) +
                                 " does not lie flat with the others: one side of it stands " +
                                 to_text(lift_mm, 1) +
                                 " mm off the glass; press it down, or lay it on a flat part"};
    }
  }
  return worst;
}

}  // namespace

Doubt check_cards(const PlaneProblem& problem, const std::vector<Sighting>& cards,
                  const Fit& flat) {
  const Explanation curved = curved_pane(problem, cards, flat);
  const Explanation wrong = one_card_wrong(problem, cards, flat);
  if (curved.gain > 0 && curved.gain >= wrong.gain) {
    return {Finding{"pane_may_be_curved", curved.text}, std::nullopt};
  }
  if (wrong.gain > 0) return {std::nullopt, Error{Code::cards_disagree, wrong.text}};
  return {};
}

}  // namespace panecard::card
