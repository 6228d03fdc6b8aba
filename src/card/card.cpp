#include "card/card.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <future>
#include <numbers>
#include <opencv2/core/utility.hpp>

#include "card/bend.h"
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

constexpr double kMaxTilt_deg =
    75;  // beyond, a pixel covers four times as much of the pane one way
constexpr double kReferenceLength_mm =
    900;  // a long pane: findings state the uncertainty of this length

using PlaneMatrix = Eigen::Matrix<double, kPlaneSize, kPlaneSize>;

/// Columns whose outer products add up to the covariance.
MatrixXd square_root(const MatrixXd& covariance) {
  const Eigen::VectorXd s = covariance.diagonal().cwiseMax(0).cwiseSqrt();
  const Eigen::VectorXd inverse = s.unaryExpr([](double v) { return v > 0 ? 1 / v : 0.0; });
  const MatrixXd correlation = inverse.asDiagonal() * covariance * inverse.asDiagonal();
  const Eigen::SelfAdjointEigenSolver<MatrixXd> eigen(correlation);
  const Eigen::Index size = s.size();
  std::vector<Eigen::Index> kept;
  for (Eigen::Index i = size - 1; i >= 0; --i) {
    if (eigen.eigenvalues()[i] > 1e-9 * eigen.eigenvalues()[size - 1]) kept.push_back(i);
  }
  return s.asDiagonal() * eigen.eigenvectors()(Eigen::all, kept) *
         eigen.eigenvalues()(kept).cwiseMax(0).cwiseSqrt().asDiagonal();
}

/// U95 of the reference length through the centre of the cards, the larger of x and y.
double length_u95_mm(const Plane& plane, const PlaneMatrix& covariance) {
  Vector2d middle(0, 0);
  for (const Vector3d& pose : plane.card_pose) middle += pose.head<2>();
  middle /= static_cast<double>(plane.card_pose.size());
  double worst = 0;
  for (const Vector2d& along : {Vector2d(1, 0), Vector2d(0, 1)}) {
    const Vector2d a = middle - 0.5 * kReferenceLength_mm * along,
                   b = middle + 0.5 * kReferenceLength_mm * along;
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

PlaneMatrix covariance_of(const Plane& plane, std::optional<ErrorSource> source = std::nullopt) {
  PlaneMatrix sum = PlaneMatrix::Zero();
  for (Eigen::Index k = 0; k < plane.factor.cols(); ++k) {
    if (source && plane.sources[static_cast<std::size_t>(k)] != *source) continue;
    sum += plane.factor.col(k) * plane.factor.col(k).transpose();
  }
  return sum;
}

/// A doubly curved pane cannot be developed without stretch: circles around the first card grow by
/// k k' r^2 / 6 of their length (Gauss).
std::string stretch_text(const PrincipalCurvatures& c) {
  if (std::abs(c.minor) <= 2 * c.sigma_minor) return "";
  constexpr double kFar_mm = 0.5 * kReferenceLength_mm;
  const double stretch = std::abs(c.major * c.minor) * kFar_mm * kFar_mm / 6;
  return "; it also bends the other way, radius " + to_text(1 / std::abs(c.minor), 0) +
         " mm, so that flattening stretches it by " + to_text(100 * stretch, 2) + " % " +
         to_text(kFar_mm, 0) + " mm from the first card";
}

void add_bend_findings(Plane& plane) {
  const PrincipalCurvatures c = curvature_of(plane);
  constexpr double kNearlyCertain = 0.95, kChord_mm = 500;
  const double sag = kChord_mm * kChord_mm / 8;
  if (plane.bent_probability > kNearlyCertain && std::abs(c.major) > 2 * c.sigma_major) {
    const double radius = 1 / std::abs(c.major);
    plane.findings.push_back(
        {"pane_is_bent", "the pane is bent, radius " + to_text(radius, 0) + " ± " +
                             to_text(2 * c.sigma_major * radius * radius, 0) +
                             " mm about an axis " + to_text(c.axis_deg, 0) +
                             " deg from level in the photo (" +
                             to_text(sag * std::abs(c.major), 1) +
                             " mm under a 500 mm straightedge): the outline is "
                             "that of the flattened pane" +
                             stretch_text(c)});
    return;
  }
  const bool certain =
      std::abs(plane.bent_probability - 0.5) > kNearlyCertain - 0.5;  // or the user measured it
  if (certain) return;
  const double all = length_u95_mm(plane, covariance_of(plane));
  const double bow = length_u95_mm(plane, covariance_of(plane, ErrorSource::bow));
  if (2 * bow * bow < all * all) return;
  plane.findings.push_back(
      {"bow_unknown",
       "the cards cannot tell how flat the pane is: up to " + to_text(2 * c.sigma_major * sag, 0) +
           " mm of bow under a 500 mm straightedge, " + "which makes a " +
           to_text(kReferenceLength_mm, 0) + " mm length uncertain by " + to_text(bow, 1) +
           " mm; lay a straightedge on the glass and give --bow (flat: 0mm@500mm)"});
}

void add_findings(const std::vector<DetectedCard>& cards, const photo::Lens& lens, Plane& plane) {
  const PlaneMatrix covariance = covariance_of(plane);
  const double u95 = length_u95_mm(plane, covariance);
  add_bend_findings(plane);
  if (!lens.calibrated) {
    const double rest = length_u95_mm(plane, covariance - covariance_of(plane, ErrorSource::lens));
    plane.findings.push_back(
        {"lens_unknown",
         "the lens is not calibrated: a " + to_text(kReferenceLength_mm, 0) +
             " mm length is uncertain by " + to_text(u95, 1) + " mm instead of " +
             to_text(rest, 1) +
             " mm; photograph the coded sheet and run `panecard lens` once for this phone"});
  }
  if (cards.size() == 1) {
    plane.findings.push_back(
        {"one_card", "everything rests on " + card_name(cards[0]) + ": " +
                         to_text(kReferenceLength_mm, 0) + " mm across it is uncertain by " +
                         to_text(u95, 1) +
                         " mm; more cards far apart on the pane reduce that most"});
  }
  for (const DetectedCard& card : cards) {
    plane.findings.insert(plane.findings.end(), card.findings.begin(), card.findings.end());
  }
}

/// Residuals of one photo's cards, from the joint fit of all photos.
void add_residuals(const PlaneProblem& problem, const Fit& fit, int view, Plane& plane) {
  double squares = 0, count = 0;
  Eigen::Index row = 0;
  const double share = fit.degrees_of_freedom / static_cast<double>(fit.residuals.value.size());
  for (const Observation& observation : problem.observations()) {
    double chi2 = 0, own = 0;
    const auto add = [&](double sigma_px) {
      const double r = fit.residuals.value[row];
      chi2 += fit.weight[row++] * r * r;
      ++own;
      if (observation.view != view) return;
      squares += std::pow(r * sigma_px, 2);
      ++count;
    };
    for (const Corner& corner : observation.card->corners)
      add(corner.sigma_px), add(corner.sigma_px);
    for (const Edge& edge : observation.card->edges) {
      for (std::size_t i = 0; i < edge.seen.size(); ++i) add(edge.sigma_px);
    }
    if (observation.view != view) continue;
    plane.card_reduced_chi2.push_back(chi2 / std::max(1.0, own * share));
    plane.card_pose.emplace_back(fit.value.segment<3>(problem.body_index(observation.body, kX)));
  }
  plane.rms_px = std::sqrt(squares / std::max(1.0, count));
}

double tilt_deg(const PlaneVector& value) {
  const Vector3d centre = camera_centre_mm(value);
  return std::acos(std::clamp(centre.z() / centre.norm(), -1.0, 1.0)) * 180 / std::numbers::pi;
}

}  // namespace

PrincipalCurvatures curvature_of(const Plane& plane) {
  Eigen::Matrix2d k;
  k << plane.value[kCurvatureOffset], plane.value[kCurvatureOffset + 1],
      plane.value[kCurvatureOffset + 1], plane.value[kCurvatureOffset + 2];
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> principal(k);
  const int strong =
      std::abs(principal.eigenvalues()[0]) > std::abs(principal.eigenvalues()[1]) ? 0 : 1;
  const auto sigma_across = [&](const Vector2d& n) {
    const Vector3d slope(n.x() * n.x(), 2 * n.x() * n.y(), n.y() * n.y());
    return (slope.transpose() * plane.factor.bottomRows<3>()).norm();
  };
  const Vector2d n = principal.eigenvectors().col(strong);
  PrincipalCurvatures c;
  c.major = principal.eigenvalues()[strong];
  c.sigma_major = sigma_across(n);
  c.minor = principal.eigenvalues()[1 - strong];
  c.sigma_minor = sigma_across(Vector2d(-n.y(), n.x()));
  c.axis_deg = std::acos(std::min(1.0, std::abs(n.dot(plane.up)))) * 180 / std::numbers::pi;
  return c;
}

namespace {

/// Drops plain rectangles whose size is inconsistent with cards of clearly less deviance: a
/// reflection or the pane itself may have a card's shape, but not its size too.
std::vector<DetectedCard> drop_inconsistent(std::vector<DetectedCard> cards,
                                            const photo::Lens& lens) {
  std::vector<DetectedCard> kept;
  std::vector<Finding> left_out;
  for (DetectedCard& card : cards) {
    const bool inferior = !kept.empty() && card.kind == Kind::plain &&
                          card.deviance > kept.front().deviance + kDecisiveDeviance;
    if (inferior) {
      std::vector<DetectedCard> combined = kept;
      combined.push_back(card);
      if (!fit_plane(combined, lens).ok() && fit_plane(kept, lens).ok()) {
        left_out.push_back({"rectangle_left_out",
                            "a rectangle of the plain card's shape about " +
                                to_text(card.body_px[0].x, 0) + "," +
                                to_text(card.body_px[0].y, 0) +
                                " px was taken for none, since its size does not agree with the "
                                "card's: see on the overlay that the card marked is yours"});
        continue;
      }
    }
    kept.push_back(std::move(card));
  }
  for (Finding& f : left_out) kept.front().findings.push_back(std::move(f));
  return kept;
}

}  // namespace

Result<std::vector<DetectedCard>> detect_cards(const photo::Photo& photo, const photo::Lens& lens,
                                               const DetectOptions& options) {
  // Both searches run in parallel where both are wanted: each has serial stretches, and OpenCV does
  // not nest parallel loops.
  std::future<std::vector<DetectedCard>> wanted;
  if (options.plain) {
    wanted = run_async(cv::getNumThreads() > 1,
                       [&] { return detect_plain_cards(photo, *options.plain); });
  }
  // With a plain card named by the user, small coded markers are not worth the finer search.
  CodedDetection coded = detect_coded_cards(
      photo, lens, options.plain ? SmallMarkers::ignore : SmallMarkers::search_finer);
  std::vector<DetectedCard> plain;
  if (wanted.valid()) plain = wanted.get();
  std::vector<DetectedCard> cards = std::move(coded.cards);
  if (!options.plain && cards.empty()) plain = detect_plain_cards(photo, PlainSize{});
  if (!plain.empty()) {
    std::move(plain.begin(), plain.end(), std::back_inserter(cards));
    cards = drop_inconsistent(std::move(cards), lens);
  }
  if (!cards.empty()) {
    for (const DetectedCard& cut : coded.cut_off) {
      cards.front().findings.push_back(
          {"card_cut_off",
           card_name(cut) + " reaches over the edge of the photo and was left out"});
    }
    return cards;
  }
  if (!coded.cut_off.empty() && options.allow_cut_off) return std::move(coded.cut_off);
  if (!coded.cut_off.empty()) {
    return Error{Code::card_cut_off,
                 card_name(coded.cut_off.front()) +
                     " reaches over the edge of the photo: take it again with the whole card "
                     "and a finger's width around it in view"};
  }
  if (coded.mirrored_markers > 1) {
    return Error{Code::card_not_found,
                 "a coded card is seen from behind, through the glass: lay it on the side that is "
                 "photographed, "
                 "print towards the camera"};
  }
  if (coded.unmeasured_markers > 0) {
    return Error{Code::too_blurred,
                 std::to_string(coded.unmeasured_markers) +
                     " markers of a card can be read but where its squares meet is too soft, too "
                     "small or covered: hold still, focus on the card, go closer"};
  }
  return Error{Code::card_not_found,
               "no coded sheet or card and no plain card on the pane: lay one flat on the glass, "
               "wholly in view, "
               "sharp and without glare on it"};
}

void apply_print_scale(double scale, DetectedCard& card) {
  if (card.kind == Kind::plain) return;
  for (Corner& corner : card.corners) corner.on_card = scale * corner.on_card;
  for (Edge& edge : card.edges) {
    edge.a = scale * edge.a;
    edge.b = scale * edge.b;
  }
  if (card.kind != Kind::sheet) return;
  card.width_mm *= scale;
  card.height_mm *= scale;
}

namespace {

Error uncertain() {
  return {Code::plane_too_uncertain,
          "the cards do not fix the pane's position: too oblique, too small or too little of them "
          "in view; step in front of the pane and use more cards"};
}

struct Start {
  Eigen::VectorXd value;
  Vector2d up;  ///< the first photo's upward direction on the pane
};

Result<Start> start_of(const PlaneProblem& problem, const std::vector<View>& views) {
  Start start;
  std::vector<Fit> own;
  for (const View& view : views) {
    if (view.cards.empty()) return Error{Code::card_not_found, "no card to measure from"};
    auto value = initial_value(view.cards, view.lens);
    if (!value) return uncertain();
    start.value = *value;
    if (views.size() == 1) break;
    const PlaneProblem alone(view.cards, view.lens);
    auto fit = alone.solve(*value, alone.free_parameters(), 1);
    if (!fit) return uncertain();
    own.push_back(*std::move(fit));
  }
  if (views.size() > 1) {
    auto joint = joint_initial_value(problem, views, own);
    if (!joint) {
      return Error{Code::cards_disagree,
                   "the photos cannot be joined: every one must show a coded card that another one "
                   "shows too, left where it was"};
    }
    start.value = *std::move(joint);
  }
  const Vector3d turn = start.value.head<3>();
  const double angle = turn.norm();
  const Vector3d up = Eigen::AngleAxisd(-angle, turn / angle) * Vector3d(0, -1, 0);
  start.up = up.head<2>().normalized();
  return start;
}

Plane plane_of(const PlaneProblem& problem, const ModelAverage& averaged, int view) {
  Plane plane;
  const auto at = problem.plane_indices(view);
  plane.value = averaged.value(at);
  plane.bent_probability = averaged.bent_probability;
  std::vector<MatrixXd> factors;
  Eigen::Index columns = 0;
  for (const Source& source : averaged.sources) {
    factors.push_back(square_root(source.covariance));
    columns += factors.back().cols();
    plane.sources.insert(plane.sources.end(), static_cast<std::size_t>(factors.back().cols()),
                         source.cause);
  }
  plane.factor.resize(Eigen::NoChange, columns);
  columns = 0;
  for (const MatrixXd& factor : factors) {
    plane.factor.middleCols(columns, factor.cols()) = factor(at, Eigen::all);
    columns += factor.cols();
  }
  add_residuals(problem, averaged.best, view, plane);
  return plane;
}

}  // namespace

Result<std::vector<Plane>> fit_planes(const std::vector<View>& views,
                                      const std::optional<MeasuredBow>& bow) {
  if (views.empty()) return Error{Code::card_not_found, "no card to measure from"};
  const PlaneProblem problem(views);
  const auto start = start_of(problem, views);
  if (!start.ok()) return start.error();
  const auto averaged = average_bend_models(problem, start->value, start->up, bow);
  if (!averaged) return uncertain();
  std::vector<Plane> planes;
  for (int v = 0; v < problem.views(); ++v) {
    planes.push_back(plane_of(problem, *averaged, v));
    planes.back().up = start->up;
    if (const double tilt = tilt_deg(planes.back().value); !(tilt < kMaxTilt_deg)) {
      return Error{Code::plane_too_uncertain,
                   "the pane is seen " + to_text(tilt, 0) + " deg from square on (limit " +
                       to_text(kMaxTilt_deg, 0) + "): step in front of it"};
    }
  }
  if (auto error = implausible_card(problem, averaged->best)) return *error;
  if (auto error = find_contradiction(problem, *averaged)) return *error;
  for (std::size_t v = 0; v < views.size(); ++v) {
    add_findings(views[v].cards, views[v].lens, planes[v]);
  }
  return planes;
}

Result<Plane> fit_plane(const std::vector<DetectedCard>& cards, const photo::Lens& lens,
                        const std::optional<MeasuredBow>& bow) {
  auto planes = fit_planes({{cards, lens}}, bow);
  if (!planes.ok()) return planes.error();
  return std::move(planes.value().front());
}

}  // namespace panecard::card
