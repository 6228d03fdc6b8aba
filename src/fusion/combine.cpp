// Fuses several measurements of one pane: registration, consistency tests, weighted mean.
#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numeric>

#include "fusion/fusion.h"

namespace panecard::fusion {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr std::size_t kMostMeasurements = 50;
/// Where outlines are chords of curves and feet lie between points.
constexpr double kChord_mm = 0.02;

/// One measurement as offsets from the common points along their normals, outwards positive, mm.
struct NormalOffsets {
  VectorXd off, sigma_noise, weight;
  MatrixXd sources;  ///< one standard uncertainty each
  std::vector<SourceName> source_names;
  MatrixXd noise;  ///< local noise as columns, for the test only
  std::vector<bool> seen;
};

/// Factor on a measurement's modes in the mean, per source: the root of the number of measurements
/// that share the error. 1: the errors are independent and average out.
struct SharedFactors {
  double bow = 1, lens = 1, card = 1;

  double of(const SourceName& source) const {
    if (source == ErrorSource::bow) return bow;
    if (source == ErrorSource::lens) return lens;
    const bool of_card = source == ErrorSource::print_scale || source == ErrorSource::card_size ||
                         source == ErrorSource::card_thickness || source == ErrorSource::edge_creep;
    return of_card ? card : 1;
  }
};

/// For each item, the root of the size of its connected component under `same`.
template <typename Same>
std::vector<double> roots_of_group_sizes(std::size_t count, const Same& same) {
  std::vector<std::size_t> group(count);
  std::iota(group.begin(), group.end(), std::size_t{0});
  for (std::size_t i = 0; i < count; ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      if (!same(i, j)) continue;
      const std::size_t from = group[j], to = group[i];
      std::replace(group.begin(), group.end(), from, to);
    }
  }
  std::vector<double> out;
  out.reserve(count);
  for (const std::size_t g : group) {
    out.push_back(std::sqrt(static_cast<double>(std::count(group.begin(), group.end(), g))));
  }
  return out;
}

/// Errors that measurements share when card or lens are the same do not average out.
std::vector<SharedFactors> shared_errors(const std::vector<Measured>& all) {
  const auto lens = roots_of_group_sizes(
      all.size(), [&](std::size_t i, std::size_t j) { return all[i].lens == all[j].lens; });
  const auto card = roots_of_group_sizes(all.size(), [&](std::size_t i, std::size_t j) {
    const auto& theirs = all[j].cards;
    if (all[i].cards.empty() || theirs.empty()) return true;
    return std::any_of(all[i].cards.begin(), all[i].cards.end(),
                       [&](const std::string& c) { return theirs.count(c) > 0; });
  });
  std::vector<SharedFactors> out;
  for (std::size_t k = 0; k < all.size(); ++k) {
    // The bow is the pane's own, however often it is photographed.
    out.push_back({std::sqrt(static_cast<double>(all.size())), lens[k], card[k]});
  }
  return out;
}

/// Projects rigid motions of the whole outline out of the columns.
void remove_rigid_motion(const PolygonMm& points, const PolygonMm& normals, MatrixXd& columns) {
  const auto n = static_cast<Index>(points.size());
  PointMm middle;
  for (const PointMm p : points) middle = middle + 1.0 / static_cast<double>(n) * p;
  MatrixXd moves(n, 3);
  for (Index i = 0; i < n; ++i) {
    const auto k = static_cast<std::size_t>(i);
    moves.row(i) << normals[k].x, normals[k].y, cross(points[k] - middle, normals[k]);
  }
  columns -= moves * moves.colPivHouseholderQr().solve(columns);
}

PolygonMm moved(const PolygonMm& points, const check::Motion& motion) {
  PolygonMm out;
  out.reserve(points.size());
  for (const PointMm p : points) out.push_back(motion(p));
  return out;
}

NormalOffsets offsets_of(const Measured& one, const PolygonMm& points, const PolygonMm& normals,
                         const check::Motion& motion) {
  const PolygonMm registered = moved(one.shape.contour.points, motion);
  const std::vector<check::Gap> feet = check::gaps_to(registered, points);
  const Contour& c = one.shape.contour;
  const auto n = static_cast<Index>(points.size());
  const std::size_t count = registered.size();
  NormalOffsets out;
  out.off.resize(n), out.sigma_noise.resize(n);
  const auto column = [&](const PolygonMm& mode, MatrixXd& into) {
    into.conservativeResize(n, into.cols() + 1);
    for (Index i = 0; i < n; ++i) {
      const check::Gap& foot = feet[static_cast<std::size_t>(i)];
      const PointMm shift =
          (1 - foot.t) * mode[foot.before] + foot.t * mode[(foot.before + 1) % count];
      into(i, into.cols() - 1) = dot(motion.turned(shift), foot.normal);
    }
  };
  for (Index i = 0; i < n; ++i) {
    const check::Gap& foot = feet[static_cast<std::size_t>(i)];
    out.off[i] = -foot.mm;
    out.sigma_noise[i] = std::hypot(c.sigma_mm[foot.before], kChord_mm);
    out.seen.push_back(foot.before >= c.seen.size() || c.seen[foot.before]);
  }
  for (std::size_t m = 0; m < c.modes.size(); ++m) {
    column(c.modes[m], out.sources);
    out.source_names.push_back(c.mode_sources[m]);
  }
  const std::vector<PolygonMm> all = all_modes(c);
  for (std::size_t m = c.modes.size(); m < all.size(); ++m) column(all[m], out.noise);
  // A rigid motion that the registration left is no difference of shape; nor is one in a mode.
  MatrixXd off = out.off;
  remove_rigid_motion(points, normals, off);
  out.off = off;
  for (MatrixXd* columns : {&out.sources, &out.noise}) {
    if (columns->cols() > 0) remove_rigid_motion(points, normals, *columns);
  }
  out.weight = out.sigma_noise.cwiseAbs2();
  if (out.sources.cols() > 0) out.weight += out.sources.rowwise().squaredNorm();
  out.weight = out.weight.cwiseInverse();
  return out;
}

/// P-value of chi-square with so many degrees of freedom (Wilson & Hilferty 1931).
double chi2_survival(double chi_square, double degrees) {
  const double spread = 2 / (9 * degrees);
  const double z = (std::cbrt(chi_square / degrees) - (1 - spread)) / std::sqrt(spread);
  return 0.5 * std::erfc(z / std::sqrt(2.0));
}

/// Every source and the noise of a measurement at every `stride`-th point, times a factor there.
MatrixXd all_columns(const NormalOffsets& f, Index stride, const VectorXd& factor) {
  const Index rows = (f.off.size() + stride - 1) / stride;
  MatrixXd out(rows, f.sources.cols() + f.noise.cols());
  for (Index r = 0; r < rows; ++r) {
    const Index i = r * stride;
    Index at = 0;
    for (const MatrixXd* part : {&f.sources, &f.noise}) {
      if (part->cols() == 0) continue;
      out.block(r, at, 1, part->cols()) = factor[i] * part->row(i);
      at += part->cols();
    }
  }
  return out;
}

/// Chi-square of one measurement against the mean of the others, in the eigenvectors that make 95 %
/// of the expected covariance.
Consistency consistency_of(const std::vector<Measured>& all,
                           const std::vector<NormalOffsets>& measurements, std::size_t which) {
  const Index n = measurements[which].off.size();
  constexpr Index kMostPoints = 120;
  const Index stride = std::max<Index>(1, (n + kMostPoints - 1) / kMostPoints);
  const Index rows = (n + stride - 1) / stride;
  VectorXd total = VectorXd::Zero(n), mean = VectorXd::Zero(n);
  for (std::size_t j = 0; j < measurements.size(); ++j) {
    if (j == which) continue;
    total += measurements[j].weight;
    mean += measurements[j].weight.cwiseProduct(measurements[j].off);
  }
  mean = mean.cwiseQuotient(total);
  const VectorXd residual = measurements[which].off - mean;
  MatrixXd covariance = kChord_mm * kChord_mm * MatrixXd::Identity(rows, rows);
  for (std::size_t j = 0; j < measurements.size(); ++j) {
    const VectorXd factor =
        j == which ? VectorXd::Ones(n).eval() : measurements[j].weight.cwiseQuotient(total).eval();
    const MatrixXd columns = all_columns(measurements[j], stride, factor);
    covariance += columns * columns.transpose();
  }
  const Eigen::SelfAdjointEigenSolver<MatrixXd> solver(covariance);
  VectorXd thinned(rows);
  for (Index r = 0; r < rows; ++r) thinned[r] = residual[r * stride];
  Consistency out;
  out.measurement = all[which].number;
  out.largest_mm = residual.cwiseAbs().maxCoeff();
  constexpr double kShare = 0.95;
  double share = 0;
  const double trace = solver.eigenvalues().sum();
  for (Index k = rows; k-- > 0 && share < kShare * trace;) {
    const double along = solver.eigenvectors().col(k).dot(thinned);
    out.chi_square += along * along / solver.eigenvalues()[k];
    out.degrees += 1;
    share += solver.eigenvalues()[k];
  }
  out.chance = chi2_survival(out.chi_square, out.degrees);
  return out;
}

void add_modes(const NormalOffsets& f, const SharedFactors& shared, const VectorXd& share,
               const PolygonMm& normals, Contour& contour) {
  for (Index c = 0; c < f.sources.cols(); ++c) {
    const SourceName& source = f.source_names[static_cast<std::size_t>(c)];
    // The correlation between measurements is not known: the Cauchy-Schwarz bound, full
    // correlation.
    const double times = shared.of(source);
    PolygonMm mode;
    mode.reserve(normals.size());
    for (std::size_t i = 0; i < normals.size(); ++i) {
      const auto k = static_cast<Index>(i);
      mode.push_back(times * share[k] * f.sources(k, c) * normals[i]);
    }
    contour.modes.push_back(std::move(mode));
    contour.mode_sources.push_back(source);
  }
}

/// The weighted mean with everything that is uncertain about it.
Contour weighted_mean(const std::vector<NormalOffsets>& measurements,
                      const std::vector<SharedFactors>& shared, const PolygonMm& points,
                      const PolygonMm& normals, const std::vector<PointPx>& pixels,
                      double correlation_mm) {
  const auto n = static_cast<Index>(points.size());
  VectorXd total = VectorXd::Zero(n), mean = VectorXd::Zero(n), noise = VectorXd::Zero(n);
  for (const NormalOffsets& f : measurements) total += f.weight;
  Contour out;
  out.seen.assign(points.size(), false);
  for (std::size_t j = 0; j < measurements.size(); ++j) {
    const NormalOffsets& f = measurements[j];
    const VectorXd share = f.weight.cwiseQuotient(total);
    mean += share.cwiseProduct(f.off);
    noise += share.cwiseProduct(f.sigma_noise).cwiseAbs2();
    add_modes(f, shared[j], share, normals, out);
    for (std::size_t i = 0; i < points.size(); ++i) out.seen[i] = out.seen[i] || f.seen[i];
  }
  for (std::size_t i = 0; i < points.size(); ++i) {
    const auto k = static_cast<Index>(i);
    out.points.push_back(points[i] + mean[k] * normals[i]);
    out.sigma_mm.push_back(std::sqrt(noise[k]));
  }
  out.points_px = pixels;
  out.correlation_length_mm = correlation_mm;
  return out;
}

double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// The reference's own points and pixels, evenly spaced.
void common_points(const Measured& reference, PolygonMm& points, std::vector<PointPx>& pixels) {
  constexpr double kLeast_mm = 2, kMost = 600;
  const Contour& c = reference.shape.contour;
  points = resample(c.points, std::max(kLeast_mm, perimeter_mm(c.points) / kMost));
  for (const check::Gap& foot : check::gaps_to(c.points, points)) {
    const std::size_t next = (foot.before + 1) % c.points.size();
    if (c.points_px.size() != c.points.size()) {
      pixels.push_back({});
      continue;
    }
    const PointPx a = c.points_px[foot.before], b = c.points_px[next];
    pixels.push_back({(1 - foot.t) * a.x + foot.t * b.x, (1 - foot.t) * a.y + foot.t * b.y});
  }
}

std::optional<Error> cannot_combine(const std::vector<Measured>& all) {
  if (all.size() < 2) {
    return Error{Code::bad_usage, "combining needs two measurements of the pane; measure it again"};
  }
  if (all.size() > kMostMeasurements) {
    return Error{Code::too_large, "more than " + std::to_string(kMostMeasurements) +
                                      " measurements; leave some out"};
  }
  for (const Measured& one : all) {
    if (!one.shape.sources_known) {
      return Error{Code::bad_usage, "measurement " + std::to_string(one.number) +
                                        " does not tell its sources of error; leave it out"};
    }
    if (one.boundary != all.front().boundary) {
      return Error{Code::bad_usage, "measurements " + std::to_string(all.front().number) + " and " +
                                        std::to_string(one.number) +
                                        " follow different boundaries; leave one out"};
    }
  }
  return std::nullopt;
}

}  // namespace

Result<Combined> combine(const std::vector<Measured>& all) {
  if (auto why = cannot_combine(all)) return *why;
  const auto reference =
      std::min_element(all.begin(), all.end(), [](const Measured& a, const Measured& b) {
        return median(a.shape.u95_mm) < median(b.shape.u95_mm);
      });
  PolygonMm points;
  std::vector<PointPx> pixels;
  common_points(*reference, points, pixels);
  const PolygonMm normals = outward_normals(points);
  std::vector<NormalOffsets> measurements;
  Combined out;
  double correlation_mm = 0;
  for (const Measured& one : all) {
    check::Motion motion;
    if (&one != &*reference) {
      const auto registered = check::register_multi_start(one.shape.contour.points, points);
      if (!registered.ok()) return registered.error();
      motion = registered.value();
    }
    measurements.push_back(offsets_of(one, points, normals, motion));
    correlation_mm = std::max(correlation_mm, one.shape.contour.correlation_length_mm);
    // Of the shape alone, as the mean's is: the pose of the outline does not matter.
    const VectorXd u95 = 2 * measurements.back().weight.cwiseSqrt().cwiseInverse();
    out.median_u95_before_mm += median({u95.begin(), u95.end()}) / static_cast<double>(all.size());
  }
  constexpr double kDoubt = 0.01;
  double least = kDoubt / static_cast<double>(all.size());
  for (std::size_t i = 0; i < all.size(); ++i) {
    out.tests.push_back(consistency_of(all, measurements, i));
    if (out.tests.back().chance < least) {
      least = out.tests.back().chance;
      out.disagrees = all[i].number;
    }
  }
  out.contour = with_fewer_modes(
      weighted_mean(measurements, shared_errors(all), points, normals, pixels, correlation_mm));
  auto outline = outline::fit(out.contour);
  if (!outline.ok()) return outline.error();
  out.outline = std::move(outline).value();
  out.median_u95_mm = median(out.outline.u95_mm);
  return out;
}

}  // namespace panecard::fusion
