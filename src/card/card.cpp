#include "card/card.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>

#include "card/coded.h"
#include "card/plain.h"
#include "card/plane_checks.h"
#include "card/plane_fit.h"
#include "card/plane_start.h"

namespace panecard::card {

namespace {

using Eigen::MatrixXd;
using Eigen::Vector2d;
using Eigen::Vector3d;

constexpr double kMaxTiltDeg = 75;  // beyond, a pixel along the sight covers four across it
constexpr double kLengthMm = 900;   // a long pane: the length that findings speak of

using PlaneMatrix = Eigen::Matrix<double, kPlaneSize, kPlaneSize>;

/// Columns whose outer products add up to the covariance.
Eigen::Matrix<double, kPlaneSize, Eigen::Dynamic> square_root(const PlaneMatrix& covariance) {
  const PlaneVector s = covariance.diagonal().cwiseMax(0).cwiseSqrt();
  const PlaneVector inverse = s.unaryExpr([](double v) { return v > 0 ? 1 / v : 0.0; });
  const PlaneMatrix correlation = inverse.asDiagonal() * covariance * inverse.asDiagonal();
  const Eigen::SelfAdjointEigenSolver<PlaneMatrix> eigen(correlation);
  Eigen::Matrix<double, kPlaneSize, Eigen::Dynamic> factor(kPlaneSize, 0);
  for (int i = kPlaneSize - 1; i >= 0; --i) {
    const double value = eigen.eigenvalues()[i];
    if (value <= 1e-13 * eigen.eigenvalues()[kPlaneSize - 1]) break;
    factor.conservativeResize(Eigen::NoChange, factor.cols() + 1);
    factor.col(factor.cols() - 1) = s.asDiagonal() * eigen.eigenvectors().col(i) * std::sqrt(value);
  }
  return factor;
}

/// 95 % of a length of kLengthMm through the middle of the cards, the worse of two directions.
double length_u95_mm(const Plane& plane, const PlaneMatrix& covariance) {
  Vector2d middle(0, 0);
  for (const Vector3d& pose : plane.card_pose) middle += pose.head<2>();
  middle /= static_cast<double>(plane.card_pose.size());
  double worst = 0;
  for (const Vector2d& along : {Vector2d(1, 0), Vector2d(0, 1)}) {
    const Vector2d a = middle - 0.5 * kLengthMm * along, b = middle + 0.5 * kLengthMm * along;
    const PointPx a_px = px_from_mm(plane, {a.x(), a.y()}),
                  b_px = px_from_mm(plane, {b.x(), b.y()});
    const Eigen::Matrix<double, 1, kPlaneSize> slope =
        along.transpose() * (mm_jacobian(plane, b_px) - mm_jacobian(plane, a_px));
    const double variance = (slope * covariance * slope.transpose()).value();
    if (!std::isfinite(variance)) continue;  // that far out the lens model folds over
    worst = std::max(worst, 2 * std::sqrt(std::max(0.0, variance)));
  }
  return worst;
}

/// The covariance if the lens were known exactly: conditioned on its parameters.
PlaneMatrix without_lens(const PlaneMatrix& c) {
  std::vector<int> lens;
  for (int i = 6; i < kPlaneSize; ++i) {
    if (c(i, i) > 0) lens.push_back(i);
  }
  PlaneMatrix result = PlaneMatrix::Zero();
  result.topLeftCorner<6, 6>() = c.topLeftCorner<6, 6>();
  if (lens.empty()) return result;
  const std::vector<int> pose = {0, 1, 2, 3, 4, 5};
  const MatrixXd cross = c(pose, lens), own = c(lens, lens);
  const Eigen::VectorXd s = own.diagonal().cwiseSqrt().cwiseInverse();
  const MatrixXd correlation = s.asDiagonal() * own * s.asDiagonal();
  const MatrixXd scaled = cross * s.asDiagonal();
  result.topLeftCorner<6, 6>() -=
      scaled * correlation.completeOrthogonalDecomposition().solve(scaled.transpose());
  return result;
}

void add_findings(const std::vector<Sighting>& cards, const photo::Lens& lens,
                  const PlaneMatrix& covariance, Plane& plane) {
  const double u95 = length_u95_mm(plane, covariance);
  if (!lens.calibrated) {
    const double rest = length_u95_mm(plane, without_lens(covariance));
    plane.findings.push_back(
        {"lens_unknown",
         "the lens is not calibrated: a " + to_text(kLengthMm, 0) + " mm length is uncertain by " +
             to_text(u95, 1) + " mm instead of " + to_text(rest, 1) +
             " mm; photograph the coded sheet and run `panecard lens` once for this phone"});
  }
  if (cards.size() == 1) {
    plane.findings.push_back(
        {"one_card", "everything rests on " + card_name(cards[0]) + ": " + to_text(kLengthMm, 0) +
                         " mm across it is uncertain by " + to_text(u95, 1) +
                         " mm; more cards far apart on the pane reduce that most"});
  }
  for (const Sighting& card : cards) {
    plane.findings.insert(plane.findings.end(), card.findings.begin(), card.findings.end());
  }
}

double rms_px(const std::vector<Sighting>& cards, const Fit& fit) {
  double sum = 0, count = 0;
  Eigen::Index row = 0;
  const auto add = [&](double sigma_px) {
    sum += std::pow(fit.residuals.value[row++] * sigma_px, 2);
    ++count;
  };
  for (const Sighting& card : cards) {
    for (const Corner& corner : card.corners) add(corner.sigma_px), add(corner.sigma_px);
    for (const Edge& edge : card.edges) {
      for (std::size_t i = 0; i < edge.seen.size(); ++i) add(edge.sigma_px);
    }
  }
  return std::sqrt(sum / std::max(1.0, count));
}

std::vector<double> misfits(const std::vector<Sighting>& cards, const Fit& fit) {
  std::vector<double> chi2(cards.size(), 0), count(cards.size(), 0);
  for (Eigen::Index row = 0; row < fit.residuals.value.size(); ++row) {
    const auto card = static_cast<std::size_t>(fit.residuals.rows[row].card);
    chi2[card] += fit.weight[row] * std::pow(fit.residuals.value[row], 2);
    ++count[card];
  }
  const double share = fit.freedom / static_cast<double>(fit.residuals.value.size());
  for (std::size_t i = 0; i < cards.size(); ++i) chi2[i] /= std::max(1.0, count[i] * share);
  return chi2;
}

double tilt_deg(const PlaneVector& value) {
  const Vector3d centre = camera_centre_mm(value);
  return std::acos(std::clamp(centre.z() / centre.norm(), -1.0, 1.0)) * 180 / std::numbers::pi;
}

}  // namespace

Result<std::vector<Sighting>> find_cards(const photo::Photo& photo, const photo::Lens& lens,
                                         const FindOptions& options) {
  CodedSearch coded = find_coded(photo, lens);
  std::vector<Sighting> cards = std::move(coded.cards);
  if (options.plain || cards.empty()) {
    std::vector<Sighting> plain = find_plain(photo, options.plain.value_or(PlainSize{}));
    std::move(plain.begin(), plain.end(), std::back_inserter(cards));
  }
  if (!cards.empty()) {
    for (const Sighting& cut : coded.cut_off) {
      cards.front().findings.push_back(
          {"card_cut_off",
           card_name(cut) + " reaches over the edge of the photo and was left out"});
    }
    return cards;
  }
  if (!coded.cut_off.empty() && options.cut_off_too) return std::move(coded.cut_off);
  if (!coded.cut_off.empty()) {
    return Error{Code::card_cut_off,
                 card_name(coded.cut_off.front()) +
                     " reaches over the edge of the photo: take it again with the whole card "
                     "and a finger's width around it in view"};
  }
  if (coded.mirrored_marks > 1) {
    return Error{Code::card_not_found,
                 "a coded card is seen from behind, through the glass: lay it on the side that is "
                 "photographed, "
                 "print towards the camera"};
  }
  if (coded.unmeasured_marks > 0) {
    return Error{Code::too_blurred,
                 std::to_string(coded.unmeasured_marks) +
                     " markers of a card can be read but where its squares meet is too soft, too "
                     "small or covered: hold still, focus on the card, go closer"};
  }
  return Error{Code::card_not_found,
               "no coded sheet or card and no plain card on the pane: lay one flat on the glass, "
               "wholly in view, "
               "without glare on it"};
}

Result<Plane> fit_plane(const std::vector<Sighting>& cards, const photo::Lens& lens) {
  const Error uncertain{
      Code::plane_too_uncertain,
      "the cards do not fix the pane's position: too oblique, too small or too little of them "
      "in view; step in front of the pane and use more cards"};
  if (cards.empty()) return Error{Code::card_not_found, "no card to measure from"};
  const auto start = start_value(cards, lens);
  if (!start) return uncertain;

  const PlaneProblem problem(cards, lens);
  const std::vector<int> free = problem.free_parameters();
  auto fit = problem.solve(*start, free, 1);
  if (!fit) return uncertain;
  const double scale = std::sqrt(std::max(1.0, fit->chi2 / std::max(1.0, fit->freedom)));
  const Fit flat = *fit;
  if (scale > 1.02) fit = problem.solve(fit->value, free, scale);
  if (!fit) return uncertain;

  Plane plane;
  plane.value = fit->value.head<kPlaneSize>();
  if (const double tilt = tilt_deg(plane.value); !(tilt < kMaxTiltDeg)) {
    return Error{Code::plane_too_uncertain, "the pane is seen " + to_text(tilt, 0) +
                                                " deg from square on (limit " +
                                                to_text(kMaxTiltDeg, 0) + "): step in front of it"};
  }
  plane.rms_px = rms_px(cards, *fit);
  plane.card_misfit = misfits(cards, *fit);
  for (std::size_t i = 0; i < cards.size(); ++i) {
    plane.card_pose.emplace_back(fit->value.segment<3>(card_index(i, kX)));
  }
  const Doubt doubt = check_cards(problem, cards, flat);
  if (doubt.disagrees) return *doubt.disagrees;
  if (doubt.curved) plane.findings.push_back(*doubt.curved);
  const PlaneMatrix covariance = fit->covariance.topLeftCorner<kPlaneSize, kPlaneSize>();
  plane.factor = square_root(covariance);
  add_findings(cards, lens, covariance, plane);
  return plane;
}

}  // namespace panecard::card
