#include "outline/outline.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>
#include <utility>

#include "outline/choose.h"
#include "outline/measure.h"

namespace panecard::outline {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kLeastSigma_mm = 0.005;  // a tenth of the chord error that the outline may have
constexpr std::size_t kMostPoints = 20000;
constexpr std::size_t kMostBumps = 2000;

double degrees(double rad) { return rad * 180 / kPi; }

Result<std::size_t> checked(const Contour& c) {
  const std::size_t n = c.points.size();
  const auto wrong = [](const std::string& what) {
    return Error{Code::degenerate_shape, "the contour " + what + "; trace it again"};
  };
  if (n < 12) return wrong("has " + std::to_string(n) + " points, at least 12 are needed");
  if (n > kMostPoints) return wrong("has more than " + std::to_string(kMostPoints) + " points");
  bool whole = c.sigma_mm.size() == n && (c.points_px.empty() || c.points_px.size() == n) &&
               (c.seen.empty() || c.seen.size() == n);
  for (const PolygonMm& mode : c.modes) whole = whole && mode.size() == n;
  if (!whole) return wrong("has lists of different lengths");
  for (std::size_t i = 0; i < n; ++i) {
    const bool finite = std::abs(c.points[i].x) < 1e6 && std::abs(c.points[i].y) < 1e6;
    if (!finite || !(c.sigma_mm[i] >= 0) || !(c.sigma_mm[i] < 1e6)) {
      return wrong("has a point without a usable place or sigma");
    }
  }
  for (const PolygonMm& mode : c.modes) {
    for (const PointMm& p : mode) {
      if (!(norm(p) < 1e6)) return wrong("has a source of error without a usable size");
    }
  }
  if (!(signed_area_mm2(c.points) > 1)) return wrong("encloses no area counter-clockwise");
  if (self_intersects(c.points)) return wrong("crosses itself");
  return n;
}

/// Length over which the edge noise counts as one observation: the integral of the correlation of
/// the bumps that model it (half cosines, 16 / pi^2 of their spacing), or the point spacing.
double observation_mm(const Contour& c, double perimeter) {
  const double spacing = perimeter / static_cast<double>(c.points.size());
  const double bump = perimeter / std::max(8.0, std::floor(perimeter / c.correlation_length_mm));
  return c.correlation_length_mm > 0 ? std::max(spacing, 16 / (kPi * kPi) * bump) : spacing;
}

/// Every so many points, where these tell all that the noise lets through.
Contour thinned(const Contour& c) {
  constexpr double kPointsPerObservation = 4;
  constexpr std::size_t kLeastPoints = 200;  // a small pane's corners need them
  const double perimeter = perimeter_mm(c.points);
  const double wanted_mm = observation_mm(c, perimeter) / kPointsPerObservation;
  const std::size_t n = c.points.size();
  const auto every = std::min(
      static_cast<std::size_t>(wanted_mm * static_cast<double>(n) / perimeter), n / kLeastPoints);
  if (every < 2) return c;
  const auto pick = [&](const auto& all) {
    auto some = all;
    some.clear();
    for (std::size_t i = 0; i + every <= all.size(); i += every) some.push_back(all[i]);
    return some;
  };
  Contour thin = c;
  thin.points = pick(c.points);
  thin.points_px = pick(c.points_px);
  thin.seen = pick(c.seen);
  thin.sigma_mm = pick(c.sigma_mm);
  for (PolygonMm& mode : thin.modes) mode = pick(mode);
  return thin;
}

/// What a contour's points are off by besides the shared modes: the local edge noise, and a smooth
/// discrepancy (contact shadows, bridges, edges that are no exact arcs) that sigma does not tell.
struct Noise {
  double spacing_mm = 0, observation_mm = 0;
  double discrepancy_mm = 0;
  std::vector<double> bridge_mm2,
      bridge_power;  ///< per point: variance, and integral along the way
};

/// Arc length over which the discrepancy is alike: a few seal widths, common practice.
constexpr double kDiscrepancyBump_mm = 30;
constexpr double kDiscrepancyObservation_mm = 16 / (kPi * kPi) * kDiscrepancyBump_mm;

double local_variance(double sigma_mm) { return std::pow(std::max(sigma_mm, kLeastSigma_mm), 2); }

/// Standard uncertainty that third differences over independent distances show beyond sigma, 0 when
/// none. They see neither lines nor arcs, and the median does not mind corners.
double rough_excess_mm(const Contour& c, const Noise& noise) {
  const std::size_t n = c.points.size();
  const double apart_mm = std::max(2 * noise.observation_mm, kDiscrepancyBump_mm / 2);
  const auto lag = static_cast<std::size_t>(std::ceil(apart_mm / noise.spacing_mm));
  if (8 * lag > n) return 0;
  std::vector<double> ratio(n), sigma(c.sigma_mm);
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm a = c.points[i], b = c.points[(i + lag) % n], d = c.points[(i + 2 * lag) % n],
                  e = c.points[(i + 3 * lag) % n];
    const PointMm third = e - a + 3.0 * (b - d), along = e - a;
    ratio[i] = std::abs(cross(along, third)) / std::max(norm(along), 1e-9) /
               std::sqrt(20.0 * local_variance(c.sigma_mm[(i + lag) % n]));
  }
  const auto middle = static_cast<std::ptrdiff_t>(n / 2);
  std::nth_element(ratio.begin(), ratio.begin() + middle, ratio.end());
  std::nth_element(sigma.begin(), sigma.begin() + middle, sigma.end());
  constexpr double kMedianOfNormal = 0.67448975;  // of |N(0, 1)|
  const double estimate = ratio[n / 2] / kMedianOfNormal;
  // The median of m independent values scatters by 1.17 / sqrt(m); only a clear excess counts.
  const double scatter = 1.17 / std::sqrt(static_cast<double>(n) / static_cast<double>(lag));
  if (estimate <= 1 + 3 * scatter) return 0;
  return std::sqrt((estimate * estimate - 1) * local_variance(sigma[n / 2]));
}

/// What a bridge may be off by is alike over long stretches and stays with the modes; but a fit
/// that took the bridge for seen would bend pieces to follow it.
void add_bridges(const Contour& c, Noise& noise) {
  const std::size_t n = c.points.size();
  noise.bridge_mm2.assign(n, 0.0);
  noise.bridge_power.assign(n, 0.0);
  const PolygonMm normals = outward_normals(c.points);
  for (std::size_t m = 0; m < std::min(c.modes.size(), c.mode_sources.size()); ++m) {
    if (c.mode_sources[m] != ErrorSource::bridge) continue;
    double area = 0;
    for (std::size_t i = 0; i < n; ++i) area += dot(c.modes[m][i], normals[i]) * noise.spacing_mm;
    for (std::size_t i = 0; i < n; ++i) {
      const double off = dot(c.modes[m][i], normals[i]);
      if (c.seen.empty() || c.seen[i]) continue;
      noise.bridge_mm2[i] += off * off;
      noise.bridge_power[i] += std::max(0.0, off * area);
    }
  }
}

/// A point's weight is its spacing over the noise power that a smooth curve sees: variance times
/// the length over which it is alike, summed over all kinds of noise.
Samples samples_of(const Contour& c, const Noise& noise) {
  Samples samples;
  samples.points = c.points;
  const double smooth = noise.discrepancy_mm * noise.discrepancy_mm;
  for (std::size_t i = 0; i < c.sigma_mm.size(); ++i) {
    const double local = local_variance(c.sigma_mm[i]);
    const double power =
        local * noise.observation_mm + smooth * kDiscrepancyObservation_mm + noise.bridge_power[i];
    samples.weight.push_back(noise.spacing_mm / power);
    samples.expected_chi2 += samples.weight.back() * (local + smooth + noise.bridge_mm2[i]);
  }
  samples.cost_per_unknown = std::log(std::max(samples.expected_chi2, std::numbers::e));
  return samples;
}

double chi2_ratio(const Chain& chain, const Samples& samples) {
  return chain.chi2 / std::max(1.0, samples.expected_chi2 - free_unknowns(chain));
}

/// The sources that the modes have, each once, and which one each mode has.
struct SourceIndex {
  std::vector<SourceName> sources;
  std::vector<std::size_t> of_mode;

  std::size_t find(const SourceName& source) {
    const auto at = std::find(sources.begin(), sources.end(), source);
    if (at != sources.end()) return static_cast<std::size_t>(at - sources.begin());
    sources.push_back(source);
    return sources.size() - 1;
  }
};

const SourceName kUnnamed("unnamed");

SourceIndex source_index(const Contour& c) {
  SourceIndex result;
  for (std::size_t m = 0; m < c.modes.size(); ++m) {
    result.of_mode.push_back(result.find(m < c.mode_sources.size() ? c.mode_sources[m] : kUnnamed));
  }
  return result;
}

/// A covariance as the product of few columns with themselves: pivoted Cholesky, to its rank.
struct Factor {
  Eigen::MatrixXd columns;
  std::vector<Eigen::Index> pivots;  ///< their rows of `columns` are triangular
};

/// @param least  what is left of a variance, as a share of it, when it counts as nothing
Factor factor_of(const Eigen::MatrixXd& covariance, double least) {
  const Eigen::Index rows = covariance.rows();
  const Eigen::VectorXd scale = covariance.diagonal().array().max(1e-300).sqrt().inverse().matrix();
  Eigen::MatrixXd rest = scale.asDiagonal() * covariance * scale.asDiagonal();
  Factor factor;
  factor.columns = Eigen::MatrixXd::Zero(rows, rows);
  Eigen::Index rank = 0;
  for (; rank < rows; ++rank) {
    Eigen::Index pivot = 0;
    const double largest = rest.diagonal().maxCoeff(&pivot);
    if (largest < least) break;
    factor.columns.col(rank) = rest.col(pivot) / std::sqrt(largest);
    rest.noalias() -= factor.columns.col(rank) * factor.columns.col(rank).transpose();
    factor.pivots.push_back(pivot);
  }
  factor.columns =
      Eigen::MatrixXd(scale.cwiseInverse().asDiagonal() * factor.columns.leftCols(rank));
  return factor;
}

/// The pulls of hundreds of bumps, in as few columns as there are unknowns.
Eigen::MatrixXd pulls_of(const std::vector<NoiseMode>& bumps, const Response& response,
                         std::size_t points, Eigen::Index rows) {
  constexpr double kLeast = 1e-13;  // what the fit's answer may enlarge again
  Eigen::MatrixXd covariance = Eigen::MatrixXd::Zero(rows, rows);
  Eigen::VectorXd pull = Eigen::VectorXd::Zero(rows);
  std::vector<Eigen::Index> touched;
  for (const NoiseMode& bump : bumps) {
    for (std::size_t k = 0; k < bump.along_normal_mm.size(); ++k) {
      const std::size_t i = (bump.first + k) % points;
      const auto row = static_cast<Eigen::Index>(6 * response.link_of(i));
      if (std::find(touched.begin(), touched.end(), row) == touched.end()) touched.push_back(row);
      response.add_pull(i, -bump.along_normal_mm[k], pull);
    }
    for (const Eigen::Index a : touched) {
      for (const Eigen::Index b : touched) {
        covariance.block<6, 6>(a, b).noalias() +=
            pull.segment<6>(a) * pull.segment<6>(b).transpose();
      }
    }
    for (const Eigen::Index a : touched) pull.segment<6>(a).setZero();
    touched.clear();
  }
  return factor_of(covariance, kLeast).columns;
}

/// Every source of error, as steps of the fitted unknowns: the contour's modes, then columns for
/// its edge noise, then for the discrepancy. No columns when the fit has no answer.
struct Steps {
  Eigen::MatrixXd columns;
  Eigen::Index modes = 0, edge_noise = 0;
};

Steps source_steps(const Contour& c, const Noise& noise, const Chain& chain, const Samples& samples,
                   double noise_scale) {
  const Response response(chain, samples);
  if (!response.ok()) return {};
  const std::size_t n = c.points.size();
  const auto rows = static_cast<Eigen::Index>(6 * chain.links.size());
  const Eigen::MatrixXd local =
      noise_scale * pulls_of(noise_modes(c, kMostBumps), response, n, rows);
  Eigen::MatrixXd rest(rows, 0);
  if (noise.discrepancy_mm > 0) {
    Contour smooth;
    smooth.points = c.points;
    smooth.sigma_mm.assign(n, noise.discrepancy_mm);
    smooth.correlation_length_mm = kDiscrepancyBump_mm;
    rest = noise_scale * pulls_of(noise_modes(smooth, kMostBumps), response, n, rows);
  }
  Steps steps;
  steps.modes = static_cast<Eigen::Index>(c.modes.size());
  steps.edge_noise = local.cols();
  Eigen::MatrixXd pull = Eigen::MatrixXd::Zero(rows, steps.modes + local.cols() + rest.cols());
  for (Eigen::Index m = 0; m < steps.modes; ++m) {
    const PolygonMm& mode = c.modes[static_cast<std::size_t>(m)];
    for (std::size_t i = 0; i < n; ++i) {
      response.add_pull(i, dot(mode[i], response.left_normal(i)), pull.col(m));
    }
  }
  pull.middleCols(steps.modes, local.cols()) = local;
  pull.rightCols(rest.cols()) = rest;
  steps.columns = response.step(pull);
  return steps;
}

/// The same covariance in few columns, each with what the sources have in it.
struct Few {
  Eigen::MatrixXd modes;  ///< six rows per link
  Shares shares;
  std::vector<SourceName> sources;
};

Few compressed(const Steps& steps, const Contour& c, double noise_scale) {
  constexpr double kLeast = 1e-9;
  const Factor factor = factor_of(steps.columns * steps.columns.transpose(), kLeast);
  Few few;
  few.modes = factor.columns;

  // The steps are the few modes times `mix`; the pivots' rows are triangular and give it directly.
  const Eigen::MatrixXd mix = Eigen::MatrixXd(few.modes(factor.pivots, Eigen::all))
                                  .triangularView<Eigen::Lower>()
                                  .solve(Eigen::MatrixXd(steps.columns(factor.pivots, Eigen::all)));
  SourceIndex index = source_index(c);
  const std::size_t edge_noise = index.find(ErrorSource::edge_noise),
                    fit = index.find(ErrorSource::fit);
  few.sources = index.sources;
  few.shares.assign(few.sources.size(), Eigen::MatrixXd::Zero(mix.rows(), mix.rows()));
  for (std::size_t m = 0; m < c.modes.size(); ++m) {
    const auto column = mix.col(static_cast<Eigen::Index>(m));
    few.shares[index.of_mode[m]].noalias() += column * column.transpose();
  }
  const auto local = mix.middleCols(steps.modes, steps.edge_noise);
  const auto rest = mix.rightCols(mix.cols() - steps.modes - steps.edge_noise);
  // What the noise had to be enlarged by is the pieces' fault, not the edge's.
  const Eigen::MatrixXd enlarged = local * local.transpose();
  const double as_stated = 1 / (noise_scale * noise_scale);
  few.shares[edge_noise] += as_stated * enlarged;
  few.shares[fit] += (1 - as_stated) * enlarged + rest * rest.transpose();
  return few;
}

/// A curve that turns much more sharply than what it joins on both sides, by 15 degrees or more.
bool is_corner(const Chain& chain, std::size_t k) {
  constexpr double kSharper = 3, kLeastTurn_rad = 15 * kPi / 180;
  const std::size_t count = chain.links.size();
  const Link &link = chain.links[k], &before = chain.links[(k + count - 1) % count],
             &after = chain.links[(k + 1) % count];
  const double bend = std::abs(link.curvature);
  return link.kind == PieceKind::arc && bend * link.length_mm >= kLeastTurn_rad &&
         bend > kSharper * std::abs(before.curvature) &&
         bend > kSharper * std::abs(after.curvature);
}

/// Edge 1 is the edge that starts nearest the lower left; pieces follow counter-clockwise.
void start_lower_left(Chain& chain) {
  const std::size_t count = chain.links.size();
  std::size_t best = 0;
  double lowest = 0;
  bool found = false;
  for (const bool after_corner : {true, false}) {
    for (std::size_t k = 0; k < count; ++k) {
      const std::size_t before = (k + count - 1) % count;
      const bool fits =
          !is_corner(chain, k) && (is_corner(chain, before) || chain.links[before].kink_after);
      if (after_corner && !fits) continue;
      const PointMm start = spot_at(chain.links[k], -chain.links[k].length_mm / 2).place;
      if (!found || start.x + start.y < lowest) best = k, lowest = start.x + start.y;
      found = true;
    }
    if (found) break;
  }
  std::rotate(chain.links.begin(), chain.links.begin() + static_cast<std::ptrdiff_t>(best),
              chain.links.end());
}

std::size_t steps_on(const Link& link) {
  constexpr double kChordError_mm = 0.01;  // contract 0.05; less, so that the box sees the curve
  constexpr double kOnLine_mm = 4, kOnCurve_mm = 2, kLeast_mm = 0.05;
  double step = kOnLine_mm;
  if (link.kind != PieceKind::line) {
    const double bend = std::abs(link.curvature) + std::abs(link.rate) * link.length_mm / 2;
    step =
        std::clamp(std::sqrt(8 * kChordError_mm / std::max(bend, 1e-12)), kLeast_mm, kOnCurve_mm);
  }
  return static_cast<std::size_t>(std::clamp(std::ceil(link.length_mm / step), 1.0, 1e4));
}

/// Cubic Beziers along a clothoid; for the small turns of each the handles of the circle's own
/// cubic serve within a thousandth of a millimetre.
void add_beziers(const Link& link, std::vector<PointMm>& control) {
  constexpr double kMostTurn_rad = 0.2, kMostLength_mm = 50;
  const double bend = std::abs(link.curvature) + std::abs(link.rate) * link.length_mm / 2;
  const double wanted =
      std::max(bend * link.length_mm / kMostTurn_rad, link.length_mm / kMostLength_mm);
  const int parts = static_cast<int>(std::clamp(std::ceil(wanted), 1.0, 1000.0));
  const double part_mm = link.length_mm / parts;
  Spot from = spot_at(link, -link.length_mm / 2);
  if (control.empty()) control.push_back(from.place);
  for (int i = 1; i <= parts; ++i) {
    const Spot to = spot_at(link, -link.length_mm / 2 + i * part_mm);
    const double turn = to.heading_rad - from.heading_rad;
    const double handle = part_mm / 3 * (1 + turn * turn / 48);
    control.push_back(from.place +
                      handle * PointMm{std::cos(from.heading_rad), std::sin(from.heading_rad)});
    control.push_back(to.place -
                      handle * PointMm{std::cos(to.heading_rad), std::sin(to.heading_rad)});
    control.push_back(to.place);
    from = to;
  }
}

Piece piece_of(const Chain& chain, std::size_t k, const Few& few) {
  const Link& link = chain.links[k];
  const auto at = static_cast<Eigen::Index>(6 * k);
  const Eigen::VectorXd lengthens = few.modes.row(at + 3), bends = few.modes.row(at + 4);
  Piece piece;
  piece.kind = link.kind;
  piece.start = spot_at(link, -link.length_mm / 2).place;
  piece.end = spot_at(link, link.length_mm / 2).place;
  piece.length_mm = dimension(link.length_mm, lengthens, few.shares);
  piece.corner = is_corner(chain, k);
  if (link.kind == PieceKind::free) add_beziers(link, piece.control);
  if (link.kind != PieceKind::arc) return piece;
  const double bend = link.curvature;
  piece.radius_mm = 1 / bend;
  piece.sweep_rad = bend * link.length_mm;
  piece.centre =
      link.middle + (1 / bend) * PointMm{-std::sin(link.heading_rad), std::cos(link.heading_rad)};
  piece.radius = dimension(std::abs(1 / bend), bends / (bend * bend), few.shares);
  const double half = piece.sweep_rad / 2;
  const double by_bend =
      (std::sin(half) * half - (1 - std::cos(half))) / (bend * bend);  // d(sagitta)/d(curvature)
  piece.sagitta_mm = dimension((1 - std::cos(half)) / bend,
                               by_bend * bends + std::sin(half) / 2 * lengthens, few.shares);
  const Eigen::VectorXd turns = bend * lengthens + link.length_mm * bends;
  if (piece.corner) {
    piece.angle_deg = dimension(180 - degrees(piece.sweep_rad), turns * (180 / kPi), few.shares);
  }
  return piece;
}

void name_pieces(std::vector<Piece>& pieces) {
  int edge = 0, corner = 0;
  for (Piece& piece : pieces) {
    if (!piece.corner) {
      piece.name = "edge " + std::to_string(++edge);
      continue;
    }
    std::string letters;  // A .. Z, AA, AB ..
    for (int k = corner++; k >= 0; k = k / 26 - 1) {
      letters.insert(letters.begin(), static_cast<char>('A' + k % 26));
    }
    piece.name = "corner " + letters;
  }
}

/// Where each point of the outline lies along the contour, for pixels and for what was seen.
void follow_contour(const Contour& c, const std::vector<std::size_t>& near, Outline& outline) {
  const std::size_t n = c.points.size(), m = outline.points.size();
  const PixelMap pixels(c);
  outline.seen.resize(m);
  outline.points_px.resize(c.points_px.empty() ? 0 : m);
  for (std::size_t i = 0; i < m; ++i) {
    const PointMm p = outline.points[i];
    std::size_t before = near[i];
    double least = 1e300, t = 0;
    for (std::size_t k = 0; k < 7; ++k) {
      const std::size_t j = (near[i] + n + k - 3) % n;
      const PointMm a = c.points[j], along = c.points[(j + 1) % n] - a;
      const double at =
          std::clamp(dot(p - a, along) / std::max(dot(along, along), 1e-12), 0.0, 1.0);
      const double away = distance(p, a + at * along);
      if (away < least) least = away, before = j, t = at;
    }
    outline.seen[i] = c.seen.empty() || c.seen[t < 0.5 ? before : (before + 1) % n];
    if (!c.points_px.empty()) outline.points_px[i] = pixels.at(p, before, t);
  }
  const auto seen = static_cast<double>(std::count(c.seen.begin(), c.seen.end(), true));
  outline.seen_fraction = c.seen.empty() ? 1 : seen / static_cast<double>(n);
}

/// Between opposite corners, the longest a tape reads from rounding to rounding.
void add_diagonals(const Spread& spread, const std::vector<bool>& kinks, Outline& outline) {
  std::vector<std::vector<std::size_t>> corners;
  const std::size_t m = outline.points.size();
  int edges = 0;
  for (std::size_t k = 0; k < outline.pieces.size(); ++k) {
    const Piece& piece = outline.pieces[k];
    edges += piece.corner ? 0 : 1;
    if (!piece.corner && !kinks[k]) continue;
    corners.emplace_back();
    std::size_t i = piece.corner ? piece.first : piece.last;
    for (; i != piece.last; i = (i + 1) % m) corners.back().push_back(i);
    corners.back().push_back(piece.last);
  }
  if (corners.size() != 4 || edges < 4) return;
  outline.diagonals_mm = {longest_between(outline, spread, corners[0], corners[2]),
                          longest_between(outline, spread, corners[1], corners[3])};
}

/// The choice of the box is a source that only its sides have.
void complete_parts(Outline& outline) {
  const auto complete = [&](Dimension& d) { d.parts.resize(outline.sources.size(), 0.0); };
  for (Dimension* d :
       {&outline.long_mm, &outline.short_mm, &outline.area_mm2, &outline.perimeter_mm}) {
    complete(*d);
  }
  for (Dimension& d : outline.diagonals_mm) complete(d);
  for (Piece& p : outline.pieces) {
    for (Dimension* d : {&p.length_mm, &p.radius, &p.angle_deg, &p.sagitta_mm}) complete(*d);
  }
}

Outline outline_of(const Contour& c, const Chain& chain, const Few& few) {
  Outline outline;
  outline.sources = few.sources;
  const std::size_t n = c.points.size(), count = chain.links.size();
  Spread spread{std::vector<PolygonMm>(static_cast<std::size_t>(few.modes.cols())), few.shares};
  std::vector<std::size_t> near;
  std::vector<bool> kinks;
  for (std::size_t k = 0; k < count; ++k) {
    const Link& link = chain.links[k];
    Piece piece = piece_of(chain, k, few);
    const std::size_t steps = steps_on(link);
    const std::size_t many = (chain.links[(k + 1) % count].first + n - link.first) % n;
    std::size_t seen = 0;
    for (std::size_t j = 0; j < many; ++j) {
      seen += c.seen.empty() || c.seen[(link.first + j) % n] ? 1 : 0;
    }
    piece.seen = many == 0 || 2 * seen >= many;
    piece.first = outline.points.size();
    std::size_t foot = 0;
    for (std::size_t j = 0; j < steps; ++j) {
      const double part = static_cast<double>(j) / static_cast<double>(steps) - 0.5;
      const Spot spot = spot_at(link, part * link.length_mm);
      const PointMm along{std::cos(spot.heading_rad), std::sin(spot.heading_rad)};
      Eigen::Matrix<double, 2, 6> moves = spot.moves;
      moves.col(3) = part * Eigen::Vector2d(along.x, along.y);
      const Eigen::MatrixXd shift =
          moves * few.modes.middleRows<6>(static_cast<Eigen::Index>(6 * k));
      for (std::size_t q = 0; q < spread.modes.size(); ++q) {
        const auto col = static_cast<Eigen::Index>(q);
        spread.modes[q].push_back({shift(0, col), shift(1, col)});
      }
      while (foot + 1 < many &&
             dot(along, c.points[(link.first + foot + 1) % n] - spot.place) <= 0) {
        ++foot;
      }
      near.push_back((link.first + foot) % n);
      outline.points.push_back(spot.place);
    }
    outline.pieces.push_back(std::move(piece));
    kinks.push_back(link.kink_after);
  }
  for (std::size_t k = 0; k < count; ++k) {
    outline.pieces[k].last = outline.pieces[(k + 1) % count].first;
  }
  name_pieces(outline.pieces);
  measure_shape(spread, outline);
  follow_contour(c, near, outline);
  add_diagonals(spread, kinks, outline);
  complete_parts(outline);
  return outline;
}

Shares one_source_each(const SourceIndex& index) {
  const auto modes = static_cast<Eigen::Index>(index.of_mode.size());
  Shares shares(index.sources.size(), Eigen::MatrixXd::Zero(modes, modes));
  for (Eigen::Index m = 0; m < modes; ++m) {
    shares[index.of_mode[static_cast<std::size_t>(m)]](m, m) = 1;
  }
  return shares;
}

constexpr std::size_t kPartsOfKnot = 4;

/// Catmull-Rom curve through `p`, kPartsOfKnot points for each knot.
PolygonMm on_curve(const PolygonMm& p) {
  PolygonMm result;
  const std::size_t count = p.size();
  for (std::size_t k = 0; k < count; ++k) {
    const PointMm a = p[(k + count - 1) % count], b = p[k], d = p[(k + 1) % count],
                  e = p[(k + 2) % count];
    for (std::size_t q = 0; q < kPartsOfKnot; ++q) {
      const double t = static_cast<double>(q) / kPartsOfKnot, t2 = t * t, t3 = t2 * t;
      result.push_back(0.5 * ((-t3 + 2 * t2 - t) * a + (3 * t3 - 5 * t2 + 2) * b +
                              (-3 * t3 + 4 * t2 + t) * d + (t3 - t2) * e));
    }
  }
  return result;
}

/// The same curve as cubic Beziers.
Piece free_piece(const PolygonMm& knots) {
  Piece piece;
  piece.kind = PieceKind::free;
  piece.name = "edge 1";
  piece.start = piece.end = knots[0];
  piece.control.push_back(knots[0]);
  const std::size_t count = knots.size();
  for (std::size_t k = 0; k < count; ++k) {
    const PointMm a = knots[(k + count - 1) % count], b = knots[k], d = knots[(k + 1) % count],
                  e = knots[(k + 2) % count];
    piece.control.push_back(b + (1.0 / 6) * (d - a));
    piece.control.push_back(d - (1.0 / 6) * (e - b));
    piece.control.push_back(d);
  }
  return piece;
}

/// The contour's modes, then its edge noise as a few broad ones.
std::vector<PolygonMm> modes_with_noise(const Contour& c, SourceIndex& index) {
  constexpr std::size_t kMostFreeBumps = 200;
  std::vector<PolygonMm> modes = c.modes;
  const std::size_t n = c.points.size();
  const PolygonMm normals = outward_normals(c.points);
  for (const NoiseMode& bump : noise_modes(c, kMostFreeBumps)) {
    modes.emplace_back(n);
    index.of_mode.push_back(index.find(ErrorSource::edge_noise));
    for (std::size_t k = 0; k < bump.along_normal_mm.size(); ++k) {
      const std::size_t i = (bump.first + k) % n;
      modes.back()[i] = modes.back()[i] + bump.along_normal_mm[k] * normals[i];
    }
  }
  return modes;
}

/// A contour that no chain describes: one free curve through local means of its own points, so that
/// nothing is claimed that was not measured. Catmull-Rom tangents, hence G1.
Outline free_outline(const Contour& c, double perimeter, double observation) {
  Outline outline;
  const std::size_t n = c.points.size();
  const double spacing = perimeter / static_cast<double>(n);
  const auto group = std::clamp<std::size_t>(static_cast<std::size_t>(observation / 2 / spacing), 1,
                                             std::max<std::size_t>(1, n / 12));
  const std::size_t count = std::max<std::size_t>(1, n / group);
  const auto means = [&](const PolygonMm& values) {
    PolygonMm result(count);
    for (std::size_t k = 0; k < count; ++k) {
      const std::size_t from = k * n / count, to = (k + 1) * n / count;
      for (std::size_t i = from; i < to; ++i) {
        result[k] = result[k] + (1.0 / static_cast<double>(to - from)) * values[i];
      }
    }
    return result;
  };
  const PolygonMm knots = means(c.points);
  outline.points = on_curve(knots);
  SourceIndex index = source_index(c);
  Spread spread;  // modes of the means are means of the modes
  for (const PolygonMm& mode : modes_with_noise(c, index)) {
    spread.modes.push_back(on_curve(means(mode)));
  }
  spread.shares = one_source_each(index);
  outline.sources = index.sources;
  outline.pieces.push_back(free_piece(knots));
  measure_shape(spread, outline);
  outline.pieces[0].length_mm = outline.perimeter_mm;
  std::vector<std::size_t> near;
  for (std::size_t i = 0; i < outline.points.size(); ++i) {
    const std::size_t k = i / kPartsOfKnot, from = k * n / count, to = (k + 1) * n / count;
    near.push_back(((from + to) / 2 + i % kPartsOfKnot * (to - from) / kPartsOfKnot) % n);
  }
  follow_contour(c, near, outline);
  outline.pieces[0].seen = 2 * outline.seen_fraction >= 1;
  complete_parts(outline);
  return outline;
}

/// In variance, of what the pieces leave over to what was expected: more, and the pieces are wrong.
constexpr double kMisfit = 4;

/// From coarse to fine: few pieces always close, and from there each change that pays is taken.
/// The other way round, many short pieces at once seldom meet.
Chain described(const Contour& contour, const Noise& noise, Samples& samples) {
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

/// That the pane has what was dropped not, say no bend in a side, tells about the sources that
/// would have made it: they are conditioned on it (the linear case of Bayes' rule), and the points
/// follow.
void learn(const Doubt& doubt, const Eigen::MatrixXd& steps, Contour& contour) {
  const Eigen::VectorXd effect = steps.transpose() * doubt.gradient;
  const double variance = effect.squaredNorm();
  const std::size_t n = contour.points.size();
  if (!(variance > 0)) return;
  PolygonMm together(n);
  for (std::size_t m = 0; m < contour.modes.size(); ++m) {
    const double share = effect[static_cast<Eigen::Index>(m)] / variance;
    for (std::size_t i = 0; i < n; ++i) together[i] = together[i] + share * contour.modes[m][i];
  }
  for (std::size_t i = 0; i < n; ++i) {
    contour.points[i] = contour.points[i] - doubt.value * together[i];
  }
  for (std::size_t m = 0; m < contour.modes.size(); ++m) {
    const double share = effect[static_cast<Eigen::Index>(m)];
    for (std::size_t i = 0; i < n; ++i) {
      contour.modes[m][i] = contour.modes[m][i] - share * together[i];
    }
  }
}

/// Whether the chain leaves the contour by more than may be off there: six sigma, at the worst of a
/// thousand points, and more than a millimetre, which is what a person would see.
bool strays(const Chain& chain, const Contour& c) {
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

/// What is fitted and what it is fitted with.
struct Fitting {
  const Contour& contour;
  const Noise& noise;
  const Samples& samples;
  const Chain& chain;
  double noise_scale;
};

/// The outline without what is doubtful, up to so many pieces' worth; nullopt when the pieces have
/// no answer or stray.
/// @param drops  most on the way in, made on the way out
std::optional<Outline> without_doubtful(const Fitting& f, int& drops) {
  Contour known = f.contour;
  known.mode_sources.resize(known.modes.size(), kUnnamed);
  Samples samples = f.samples;
  Chain chain = f.chain;
  Steps steps = source_steps(known, f.noise, chain, samples, f.noise_scale);
  const int most = drops;
  for (drops = 0; drops < most && steps.columns.cols() > 0; ++drops) {
    Doubt doubt;
    if (!drop_doubtful(chain, samples, steps.columns, doubt)) break;
    learn(doubt, steps.columns, known);
    samples.points = known.points;
    Chain again = chain;
    refine(again, samples);
    if (again.converged) chain = std::move(again);
    steps = source_steps(known, f.noise, chain, samples, f.noise_scale);
  }
  if (steps.columns.cols() == 0) return std::nullopt;
  // The outline stays with the points as they were seen; what was learned is one more doubt.
  known.modes.emplace_back();
  known.mode_sources.emplace_back(ErrorSource::fit);
  for (std::size_t i = 0; i < known.points.size(); ++i) {
    known.modes.back().push_back(known.points[i] - f.contour.points[i]);
  }
  known.points = samples.points = f.contour.points;
  refine(chain, samples);
  if (!chain.converged || (drops > 0 && strays(chain, f.contour))) return std::nullopt;
  start_lower_left(chain);
  steps = source_steps(known, f.noise, chain, samples, f.noise_scale);
  if (steps.columns.cols() == 0) return std::nullopt;
  return outline_of(f.contour, chain, compressed(steps, known, f.noise_scale));
}

}  // namespace

Result<Outline> fit(const Contour& given) {
  const Result<std::size_t> count = checked(given);
  if (!count.ok()) return count.error();
  const Contour contour = thinned(given);
  const double perimeter = perimeter_mm(contour.points);
  Noise noise;
  noise.spacing_mm = perimeter / static_cast<double>(contour.points.size());
  noise.observation_mm = observation_mm(contour, perimeter);
  noise.discrepancy_mm = rough_excess_mm(contour, noise);
  add_bridges(contour, noise);
  Samples samples;
  Chain chain = described(contour, noise, samples);
  if (!chain.converged) return free_outline(contour, perimeter, noise.observation_mm);
  const double noise_scale = std::sqrt(std::max(1.0, chi2_ratio(chain, samples)));
  chain = bent_where_smooth(chain, samples);
  const Fitting fitting{contour, noise, samples, chain, noise_scale};
  constexpr int kMostDrops = 40;
  for (int drops = kMostDrops;; drops /= 2) {
    if (auto outline = without_doubtful(fitting, drops)) return *std::move(outline);
    if (drops == 0) return free_outline(contour, perimeter, noise.observation_mm);
  }
}

}  // namespace panecard::outline
