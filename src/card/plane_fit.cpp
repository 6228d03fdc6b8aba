#include "card/plane_fit.h"

#include <ceres/jet.h>
#include <ceres/rotation.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>

#include "card/plain.h"

namespace panecard::card {

namespace {

using Eigen::MatrixXd;
using Eigen::Vector2d;
using Eigen::Vector3d;
using Eigen::VectorXd;

// Priors; docs/card.md says where each comes from.
constexpr double kSigmaThicknessMm = 0.05;
constexpr double kSigmaSheetScale = 1e-3, kSigmaCardScale = 5e-4;  // alike for all prints of a kind
constexpr double kSigmaOwnScale = 2e-4;                            // from one print to the next
constexpr double kSigmaPrintAspect = 3e-4;  // along against across the paper's run
constexpr double kSigmaRimOutwardPx = 0.05;

constexpr int kGlobals = kPlaneSize + 3;
constexpr int kLocals = kGlobals + kPerCard;
using Jet = ceres::Jet<double, kLocals>;

template <typename T>
struct Seen {
  T x, y;
  bool in_front = true;
};

template <typename T>
Seen<T> project(const T* plane, const T& x, const T& y, const T& z) {
  const T point[3] = {x, y, z};
  T c[3];
  ceres::AngleAxisRotatePoint(plane, point, c);
  c[0] += plane[3], c[1] += plane[4], c[2] += plane[5];
  const T* lens = plane + 6;
  const T u = c[0] / c[2], v = c[1] / c[2];
  const T r2 = u * u + v * v;
  const T radial = 1.0 + r2 * (lens[photo::kK1] + r2 * (lens[photo::kK2] + r2 * lens[photo::kK3]));
  const T &p1 = lens[photo::kP1], &p2 = lens[photo::kP2];
  const T ud = u * radial + 2.0 * p1 * u * v + p2 * (r2 + 2.0 * u * u);
  const T vd = v * radial + 2.0 * p2 * u * v + p1 * (r2 + 2.0 * v * v);
  return {lens[photo::kF] * ud + lens[photo::kCx], lens[photo::kF] * vd + lens[photo::kCy],
          c[2] > 1e-6};
}

/// A point of the card's face in the photo. The pane may bend: see plane_fit.h.
template <typename T>
Seen<T> project_on_card(const T* globals, const T* own, PointMm at, bool rigid) {
  using std::cos;
  using std::sin;
  const T u = at.x * (1.0 + own[kScaleU]), v = at.y * (1.0 + own[kScaleV]);
  const T c = cos(own[kTurn]), s = sin(own[kTurn]);
  const T dx = c * u - s * v, dy = s * u + c * v;
  const T &kxx = globals[kPlaneSize], &kxy = globals[kPlaneSize + 1],
          &kyy = globals[kPlaneSize + 2];
  // Developed place, its slope on the bent pane and its depth, to the fourth order in curvature.
  const T ex = rigid ? own[kX] : own[kX] + dx, ey = rigid ? own[kY] : own[kY] + dy;
  const T slope_x = kxx * ex + kxy * ey, slope_y = kxy * ex + kyy * ey;
  const T depth = ex * slope_x + ey * slope_y;
  T x = ex - slope_x * depth / 6.0, y = ey - slope_y * depth / 6.0;
  T z = own[kLift] + own[kTiltU] * u + own[kTiltV] * v - 0.5 * depth +
        depth * (slope_x * slope_x + slope_y * slope_y) / 24.0;
  if (rigid) {
    const T along = slope_x * dx + slope_y * dy;
    x += dx - 0.5 * slope_x * along;
    y += dy - 0.5 * slope_y * along;
    z -= along;
  }
  return project(globals, x, y, z);
}

VectorXd prior_mean(const std::vector<Sighting>& cards, const photo::Lens& lens) {
  VectorXd mean = VectorXd::Zero(kGlobals + kPerCard * static_cast<int>(cards.size()));
  mean.segment<photo::kLensSize>(6) = lens.value;
  for (std::size_t i = 0; i < cards.size(); ++i) {
    mean[card_index(i, kLift)] = cards[i].thickness_mm;
  }
  return mean;
}

/// Prior covariance of the parameters that have one; the diagonal is zero for those that do not.
MatrixXd prior_covariance(const std::vector<Sighting>& cards, const photo::Lens& lens) {
  const int size = kGlobals + kPerCard * static_cast<int>(cards.size());
  MatrixXd c = MatrixXd::Zero(size, size);
  c.block<photo::kLensSize, photo::kLensSize>(6, 6) = lens.covariance;
  for (std::size_t i = 0; i < cards.size(); ++i) {
    const int u = card_index(i, kScaleU), v = card_index(i, kScaleV);
    c(card_index(i, kLift), card_index(i, kLift)) = kSigmaThicknessMm * kSigmaThicknessMm;
    const bool plain = cards[i].kind == Kind::plain;
    const double outward = plain ? kBloomSigma_px : kSigmaRimOutwardPx;
    c(card_index(i, kOutward), card_index(i, kOutward)) = outward * outward;
    if (plain) {
      const PlainSize size_mm = cards[i].plain.value_or(PlainSize{});
      c(u, u) = std::pow(size_mm.sigma_width_mm / size_mm.width_mm, 2);
      c(v, v) = std::pow(size_mm.sigma_height_mm / size_mm.height_mm, 2);
      continue;
    }
    const double shared =
        std::pow(cards[i].kind == Kind::sheet ? kSigmaSheetScale : kSigmaCardScale, 2);
    const double own = kSigmaOwnScale * kSigmaOwnScale,
                 aspect = kSigmaPrintAspect * kSigmaPrintAspect;
    for (std::size_t j = 0; j < cards.size(); ++j) {
      if (cards[j].kind != cards[i].kind) continue;
      for (const int a : {kScaleU, kScaleV}) {
        for (const int b : {kScaleU, kScaleV}) {
          double& entry = c(card_index(i, a), card_index(j, b));
          entry += shared;
          if (i == j) entry += own + (a == b ? aspect : -aspect);
        }
      }
    }
  }
  return c;
}

}  // namespace

int card_index(std::size_t card, int parameter) {
  return kGlobals + kPerCard * static_cast<int>(card) + parameter;
}

PlaneProblem::PlaneProblem(const std::vector<Sighting>& cards, const photo::Lens& lens)
    : cards_(cards), mean_(prior_mean(cards, lens)), prior_(prior_covariance(cards, lens)) {
  for (std::size_t i = 0; i < cards.size(); ++i) {
    rows_ += 2 * cards[i].corners.size();
    for (const Edge& edge : cards[i].edges) rows_ += edge.seen.size();
  }
}

std::vector<int> PlaneProblem::free_parameters() const {
  std::vector<int> free;
  for (int i = 0; i < mean_.size(); ++i) {
    const bool pose = i < 6;
    const int own = i < kGlobals ? -1 : (i - kGlobals) % kPerCard;
    const bool place = i >= kGlobals + kPerCard && (own == kX || own == kY || own == kTurn);
    if (pose || place || prior_(i, i) > 0) free.push_back(i);
  }
  return free;
}

MatrixXd PlaneProblem::prior_information(const std::vector<int>& released) const {
  std::vector<int> known;
  for (int i = 0; i < mean_.size(); ++i) {
    const bool loose = std::find(released.begin(), released.end(), i) != released.end();
    if (prior_(i, i) > 0 && !loose) known.push_back(i);
  }
  const MatrixXd covariance = prior_(known, known);
  const VectorXd s = covariance.diagonal().cwiseSqrt();
  const MatrixXd correlation =
      s.cwiseInverse().asDiagonal() * covariance * s.cwiseInverse().asDiagonal();
  MatrixXd information = MatrixXd::Zero(mean_.size(), mean_.size());
  information(known, known) = s.cwiseInverse().asDiagonal() *
                              correlation.ldlt().solve(MatrixXd::Identity(s.size(), s.size())) *
                              s.cwiseInverse().asDiagonal();
  return information;
}

namespace {

/// Where along a-b the model comes closest to a seen sample, and the edge's outward normal there.
struct Foot {
  PointMm at;
  Vector2d outward;
};

std::optional<Foot> foot_of(const double* globals, const double* own, const Edge& edge,
                            PointPx seen, bool rigid) {
  const auto on_edge = [&](double t) {
    return PointMm{edge.a.x + t * (edge.b.x - edge.a.x), edge.a.y + t * (edge.b.y - edge.a.y)};
  };
  double t = 0.5;
  Vector2d along(0, 0), point(0, 0);
  for (int i = 0; i < 4; ++i) {
    const Seen<double> p = project_on_card(globals, own, on_edge(t), rigid);
    const Seen<double> q = project_on_card(globals, own, on_edge(t + 1e-3), rigid);
    if (!p.in_front || !q.in_front) return std::nullopt;
    point = {p.x, p.y};
    along = Vector2d(q.x - p.x, q.y - p.y) / 1e-3;
    t += along.dot(Vector2d(seen.x, seen.y) - point) / along.squaredNorm();
    if (!std::isfinite(t) || std::abs(t - 0.5) > 2) return std::nullopt;
  }
  const Seen<double> middle = project_on_card(globals, own, PointMm{0, 0}, rigid);
  Vector2d outward = Vector2d(-along.y(), along.x()).normalized();
  if (outward.dot(point - Vector2d(middle.x, middle.y)) < 0) outward = -outward;
  return Foot{on_edge(t), outward};
}

}  // namespace

std::optional<Residuals> PlaneProblem::residuals(const VectorXd& value, bool jacobian) const {
  Residuals out;
  out.value.resize(static_cast<Eigen::Index>(rows_));
  if (jacobian) out.rows.resize(rows_);
  std::size_t row = 0;
  for (std::size_t i = 0; i < cards_.size(); ++i) {
    const Sighting& card = cards_[i];
    const bool rigid = card.kind != Kind::sheet;
    const double* own = value.data() + card_index(i, 0);
    std::array<Jet, kGlobals> globals_jet;
    std::array<Jet, kPerCard> own_jet;
    for (int k = 0; jacobian && k < kGlobals; ++k) globals_jet[k] = Jet(value[k], k);
    for (int k = 0; jacobian && k < kPerCard; ++k) own_jet[k] = Jet(own[k], kGlobals + k);
    const auto put = [&](double residual, const Eigen::Matrix<double, kLocals, 1>* gradient) {
      out.value[static_cast<Eigen::Index>(row)] = residual;
      if (gradient) out.rows[row] = {static_cast<int>(i), *gradient};
      ++row;
    };
    for (const Corner& corner : card.corners) {
      if (jacobian) {
        const Seen<Jet> p =
            project_on_card(globals_jet.data(), own_jet.data(), corner.on_card, rigid);
        if (!p.in_front) return std::nullopt;
        const Jet rx = (p.x - corner.seen.x) / corner.sigma_px,
                  ry = (p.y - corner.seen.y) / corner.sigma_px;
        put(rx.a, &rx.v);
        put(ry.a, &ry.v);
      } else {
        const Seen<double> p = project_on_card(value.data(), own, corner.on_card, rigid);
        if (!p.in_front) return std::nullopt;
        put((p.x - corner.seen.x) / corner.sigma_px, nullptr);
        put((p.y - corner.seen.y) / corner.sigma_px, nullptr);
      }
    }
    for (const Edge& edge : card.edges) {
      for (const PointPx seen : edge.seen) {
        const auto foot = foot_of(value.data(), own, edge, seen, rigid);
        if (!foot) return std::nullopt;
        if (jacobian) {
          const Seen<Jet> p = project_on_card(globals_jet.data(), own_jet.data(), foot->at, rigid);
          const Jet r = ((p.x - seen.x) * foot->outward.x() + (p.y - seen.y) * foot->outward.y() +
                         own_jet[kOutward]) /
                        edge.sigma_px;
          put(r.a, &r.v);
        } else {
          const Seen<double> p = project_on_card(value.data(), own, foot->at, rigid);
          put(((p.x - seen.x) * foot->outward.x() + (p.y - seen.y) * foot->outward.y() +
               own[kOutward]) /
                  edge.sigma_px,
              nullptr);
        }
      }
    }
  }
  if (!out.value.allFinite()) return std::nullopt;
  return out;
}

Normal PlaneProblem::normal(const Residuals& r, const VectorXd& weight) const {
  Normal n;
  n.matrix = MatrixXd::Zero(mean_.size(), mean_.size());
  n.gradient = VectorXd::Zero(mean_.size());
  Eigen::Index row = 0;
  for (std::size_t i = 0; i < cards_.size(); ++i) {
    Eigen::Matrix<double, kLocals, kLocals> block = Eigen::Matrix<double, kLocals, kLocals>::Zero();
    Eigen::Matrix<double, kLocals, 1> gradient = Eigen::Matrix<double, kLocals, 1>::Zero();
    for (; row < r.value.size() && r.rows[row].card == static_cast<int>(i); ++row) {
      const auto& g = r.rows[row].gradient;
      block.selfadjointView<Eigen::Lower>().rankUpdate(g, weight[row]);
      gradient += weight[row] * r.value[row] * g;
    }
    block.triangularView<Eigen::StrictlyUpper>() = block.transpose();
    const int own = card_index(i, 0);
    n.matrix.topLeftCorner<kGlobals, kGlobals>() += block.topLeftCorner<kGlobals, kGlobals>();
    n.matrix.block<kGlobals, kPerCard>(0, own) += block.topRightCorner<kGlobals, kPerCard>();
    n.matrix.block<kPerCard, kGlobals>(own, 0) += block.bottomLeftCorner<kPerCard, kGlobals>();
    n.matrix.block<kPerCard, kPerCard>(own, own) += block.bottomRightCorner<kPerCard, kPerCard>();
    n.gradient.head<kGlobals>() += gradient.head<kGlobals>();
    n.gradient.segment<kPerCard>(own) += gradient.tail<kPerCard>();
  }
  return n;
}

namespace {

double median(VectorXd v) {
  const auto middle = v.data() + v.size() / 2;
  std::nth_element(v.data(), middle, v.data() + v.size());
  return *middle;
}

/// Huber's weights; the threshold follows the residuals, so that a wrong model is not mistaken for
/// a few outliers.
VectorXd huber_weights(const VectorXd& r) {
  const double limit = 3 * std::max(1.0, 1.4826 * median(r.cwiseAbs()));
  return r.unaryExpr(
      [limit](double v) { return std::abs(v) <= limit ? 1.0 : limit / std::abs(v); });
}

double huber_cost(const VectorXd& r, double limit) {
  return r
      .unaryExpr([limit](double v) {
        const double a = std::abs(v);
        return a <= limit ? a * a : 2 * limit * a - limit * limit;
      })
      .sum();
}

}  // namespace

std::optional<Fit> PlaneProblem::solve(VectorXd start, const std::vector<int>& free, double scale,
                                       const std::vector<int>& released, int max_iterations) const {
  const MatrixXd information = prior_information(released);
  const double data = 1 / (scale * scale);
  auto now = residuals(start, true);
  if (!now) return std::nullopt;
  double damping = 1e-4;
  Fit fit;
  for (int iteration = 0; iteration < max_iterations; ++iteration) {
    const double limit = 3 * std::max(1.0, 1.4826 * median(now->value.cwiseAbs()));
    const auto cost_of = [&](const VectorXd& r, const VectorXd& x) {
      return data * huber_cost(r, limit) + (x - mean_).dot(information * (x - mean_));
    };
    const double cost = cost_of(now->value, start);
    const Normal n = normal(*now, data * huber_weights(now->value));
    const MatrixXd h = (n.matrix + information)(free, free);
    const VectorXd g = (n.gradient + information * (start - mean_))(free);
    const VectorXd unit = h.diagonal().cwiseSqrt().cwiseMax(1e-12).cwiseInverse();
    const MatrixXd scaled = unit.asDiagonal() * h * unit.asDiagonal();
    bool better = false, settled = false;
    while (!better && damping < 1e8) {
      MatrixXd damped = scaled;
      damped.diagonal().array() += damping;
      VectorXd next = start;
      const VectorXd step = -unit.cwiseProduct(damped.ldlt().solve(unit.cwiseProduct(g)));
      next(free) += step;
      const auto trial = residuals(next, false);
      const double next_cost =
          trial ? cost_of(trial->value, next) : std::numeric_limits<double>::max();
      if (next_cost <= cost) {
        better = true;
        settled = cost - next_cost < 1e-7 * (1 + cost);
        start = next;
        damping = std::max(1e-9, damping * 0.05);
      } else {
        settled = std::abs(g.dot(step)) < 1e-7 * (1 + cost);
        if (settled) break;
        damping *= 10;
      }
    }
    now = residuals(start, true);
    if (!now) return std::nullopt;
    fit.converged = settled;
    if (settled || !better) break;
  }
  fit.value = start;
  fit.residuals = *now;
  fit.weight = huber_weights(now->value);
  fit.normal = normal(*now, fit.weight);
  fit.chi2 = now->value.cwiseProduct(fit.weight).dot(now->value);
  const MatrixXd h = (data * fit.normal.matrix + information)(free, free);
  const VectorXd unit = h.diagonal().cwiseSqrt().cwiseMax(1e-12).cwiseInverse();
  const MatrixXd scaled = unit.asDiagonal() * h * unit.asDiagonal();
  const MatrixXd inverse = scaled.ldlt().solve(MatrixXd::Identity(h.rows(), h.cols()));
  fit.covariance = MatrixXd::Zero(mean_.size(), mean_.size());
  fit.covariance(free, free) = unit.asDiagonal() * inverse * unit.asDiagonal();
  fit.freedom = static_cast<double>(rows_) - data * (fit.covariance * fit.normal.matrix).trace();
  if (!fit.covariance.allFinite()) return std::nullopt;
  return fit;
}

}  // namespace panecard::card
