#include "trace/band_pattern.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <functional>
#include <limits>
#include <numbers>

#include "trace/closed_path.h"
#include "trace/strip.h"

namespace panecard::trace {
namespace {

constexpr double kBlock_mm = 10;  // three pitches of the usual dots: their rows merge to lines
constexpr int kMostBlocks = 240;  // longer edges get longer blocks
constexpr double kTemplateReach_mm = 25;
constexpr double kSeenSigmas = 4;  // one false sight in 30 000 by chance
constexpr double kSureSigmas = 5;
constexpr double kEdgePart =
    0.25;  // of the steepest place of all: the solid band's edge is no less

/// Divides every column by its robust spread, so that reflections and noise have spread one in it.
void standardise(Eigen::ArrayXXd& columns, const Eigen::ArrayXXd& valid) {
  for (Eigen::Index b = 0; b < columns.cols(); ++b) {
    std::vector<double> sizes;
    for (Eigen::Index r = 0; r < columns.rows(); ++r) {
      if (valid(r, b) > 0) sizes.push_back(std::abs(columns(r, b)));
    }
    const double spread = 1.4826 * median(sizes);
    if (spread > 0) {
      columns.col(b) *= valid.col(b) / spread;
    } else {
      columns.col(b).setZero();
    }
  }
}

/// Best closed path through the scores that prefers to keep its depth.
std::vector<int> best_path(const Eigen::ArrayXXd& score) {
  constexpr std::array kMoves{-2, -1, 0, 1, 2};  // rows per block: a slope of 5 % at the most
  constexpr int kMaxMove = 2;
  constexpr double kMoveCost = 1.5;  // per row: a move must be earned by evidence
  constexpr double kWorst = -std::numeric_limits<double>::infinity();
  const int rows = static_cast<int>(score.rows());
  const Unrolled line = three_turns(static_cast<int>(score.cols()));
  PathSums<double> sums(line.steps, rows, kMaxMove, 0.0, kWorst);
  return closed_path(
      line, sums,
      [&](const double* from, int step, double* to) {
        best_moves(from, rows, kMaxMove, kMoveCost, to);
        const auto here = score.col(line.row(step));
        for (int r = 0; r < rows; ++r) to[r] += here(r);
      },
      [&](const double* from, int, int r) { return r + best_move(from + r, kMoves, kMoveCost); },
      std::greater<>());
}

/// Evidence of heavy-tailed clutter: one hard reflection must not outvote a quiet stretch.
Eigen::ArrayXXd evidence(const Eigen::ArrayXXd& sigmas, const std::vector<double>& near_row,
                         double near_sigma_rows) {
  Eigen::ArrayXXd score = 2 * (1 + sigmas.square() / 4).log();
  for (Eigen::Index b = 0; b < score.cols() && !near_row.empty(); ++b) {
    const double near = near_row[static_cast<std::size_t>(b)];
    if (std::isnan(near)) continue;
    for (Eigen::Index r = 0; r < score.rows(); ++r) {
      const double off = (static_cast<double>(r) - near) / near_sigma_rows;
      score(r, b) -= off * off / 2;
    }
  }
  return score;
}

/// Rises inwards, over +-0.75 mm. Falls are left to the template: rows of dots have as many.
Eigen::ArrayXXd rises(const BandProfiles& profiles) {
  const int rows = profiles.rows();
  Eigen::ArrayXXd rise = Eigen::ArrayXXd::Zero(rows, profiles.blocks());
  for (int r = 1; r < rows - 1; ++r) {
    for (int k = std::max(0, r - 2); k <= std::min(rows - 1, r + 2); ++k) {
      rise.row(r) += profiles.gradient.row(k);
    }
    rise.row(r) *= profiles.valid.row(r);
  }
  standardise(rise, profiles.valid);
  return rise.max(0.0);
}

/// Which way round a profile of unknown amplitudes lies: the solid band comes first and is what the
/// print hides most of, so that its end is a rise. Daylight on the print before a dark cabin turns
/// most stretches about.
bool starts_with_fall(const BandTemplate& shape) {
  for (Eigen::Index k = 0; k < shape.gradient.size(); ++k) {
    const bool edge =
        std::abs(shape.gradient(k)) > kEdgePart && std::abs(shape.t_value(k)) > kSureSigmas;
    if (edge) return shape.gradient(k) < 0;
  }
  return false;
}

/// One profile from all stretches: rank one, with each stretch's amplitude free. It is the cabin's
/// light less the print's own, so it is negative where daylight on the print beats a dark cabin.
/// A stretch's misfit grows with its amplitude (the cabin is not even), hence the weights.
void aggregate(const BandProfiles& profiles, BandTemplate& shape) {
  constexpr double kRelativeMisfit = 0.15;
  const int n = 2 * shape.half + 1, blocks = profiles.blocks();
  Eigen::ArrayXXd z = Eigen::ArrayXXd::Zero(n, blocks), ok = z;
  for (int b = 0; b < blocks; ++b) {
    const int first = shape.path[static_cast<std::size_t>(b)] - shape.half;
    const int low = std::max(0, -first), high = std::min(n, profiles.rows() - first);
    z.col(b).segment(low, high - low) = profiles.gradient.col(b).segment(first + low, high - low);
    ok.col(b).segment(low, high - low) = profiles.valid.col(b).segment(first + low, high - low);
  }
  if (shape.gradient.size() != n) {
    shape.gradient = Eigen::ArrayXd::Zero(n);
    shape.gradient.segment(shape.half - 1, 3).setOnes();
  }
  for (int round = 0; round < 3; ++round) {
    const Eigen::ArrayXd energy = (ok.colwise() * shape.gradient.square()).colwise().sum();
    const Eigen::ArrayXd match = (z.colwise() * shape.gradient).colwise().sum();
    const Eigen::ArrayXd a = match / energy.max(1e-12);
    const Eigen::ArrayXd peak = a * shape.gradient.abs().maxCoeff();
    const Eigen::ArrayXd w = 1 / (1 + (kRelativeMisfit * peak).square());
    const Eigen::ArrayXd wa = w * a, wa2 = wa * a;
    const Eigen::ArrayXd weight = (ok.rowwise() * wa2.transpose()).rowwise().sum();
    const Eigen::ArrayXd fitted =
        (z.rowwise() * wa.transpose()).rowwise().sum() / weight.max(1e-12);
    Eigen::ArrayXXd misfit = z - ok * (fitted.matrix() * a.matrix().transpose()).array();
    const Eigen::ArrayXd variance =
        (misfit.square().rowwise() * wa.square().transpose()).rowwise().sum() /
        weight.square().max(1e-24);
    // Depths that few stretches reach say little: a handful of residuals gives no variance.
    const Eigen::ArrayXd known = (weight > 0.2 * weight.maxCoeff()).cast<double>();
    shape.gradient = known * fitted / std::max(1e-12, (known * fitted).abs().maxCoeff());
    shape.t_value = known * fitted / variance.max(1e-24).sqrt();
    if (starts_with_fall(shape)) {
      shape.gradient = -shape.gradient;
      shape.t_value = -shape.t_value;
    }
  }
}

/// Match of part of the template at every row of every block, in units of its spread.
Eigen::ArrayXXd correlate(const BandProfiles& profiles, const BandTemplate& shape, int from,
                          int to) {
  const int rows = profiles.rows(), blocks = profiles.blocks();
  Eigen::ArrayXXd match = Eigen::ArrayXXd::Zero(rows, blocks), known = match;
  double energy = 0;
  for (int k = from; k <= to; ++k) {
    const double weight = shape.gradient(k);
    const bool sure = std::abs(shape.t_value(k)) > kSeenSigmas;
    if (!sure || weight == 0) continue;
    energy += weight * weight;
    const int offset = k - shape.half, low = std::max(0, -offset);
    const int count = std::min(rows, rows - offset) - low;
    if (count <= 0) continue;
    match.middleRows(low, count) += weight * profiles.gradient.middleRows(low + offset, count);
    known.middleRows(low, count) +=
        weight * weight * profiles.valid.middleRows(low + offset, count);
  }
  const Eigen::ArrayXXd usable = (known > 0.6 * energy).cast<double>();
  match = usable * match / known.max(1e-12).sqrt();
  standardise(match, usable);
  return match;
}

struct Extremum {
  double row;
  double value, t_value;
};

/// Local extrema of sign * gradient that are so sure, with the parabola's vertex as the place.
std::vector<Extremum> extrema(const BandTemplate& shape, double sign, double sigmas) {
  std::vector<Extremum> found;
  const Eigen::ArrayXd g = sign * shape.gradient;
  for (Eigen::Index k = 1; k + 1 < g.size(); ++k) {
    if (g(k) <= g(k - 1) || g(k) < g(k + 1) || sign * shape.t_value(k) < sigmas) continue;
    const double bend = g(k - 1) - 2 * g(k) + g(k + 1);
    const double shift = bend < 0 ? (g(k - 1) - g(k + 1)) / (2 * bend) : 0;
    found.push_back({static_cast<double>(k - shape.half) + shift, g(k), sign * shape.t_value(k)});
  }
  return found;
}

/// The light along a row of the print from column `first` on, every `step_mm` of its own arc (which
/// is shorter than the glass edge's where that bends); empty when a card or a fold is in the way.
Eigen::ArrayXd light_along(const BandStrip& strip, const BandProfiles& profiles,
                           const BandTemplate& shape, double row, int first, int count,
                           double step_mm) {
  Eigen::ArrayXd line(count);
  int done = 0;
  double arc_mm = 0, before_mm = 0, before = 0;
  PointMm last;
  for (int c = first; done < count; ++c) {
    if (c >= strip.columns()) return {};
    const int block = std::min(c / profiles.block_columns, profiles.blocks() - 1);
    const double at = shape.path[static_cast<std::size_t>(block)] + row;
    const int centre = static_cast<int>(std::lround(at));
    if (centre < 1 || centre + 1 >= strip.rows() || strip.valid.at<uchar>(centre, c) == 0)
      return {};
    const double light =
        strip.light_at(centre - 1, c) + strip.light_at(centre, c) + strip.light_at(centre + 1, c);
    const PointMm here = strip.at(c, strip.depth_mm(at)),
                  in = strip.inward[static_cast<std::size_t>(c)];
    if (c > first) arc_mm += dot(here - last, PointMm{in.y, -in.x});
    while (done < count && done * step_mm <= arc_mm) {
      const double f = arc_mm > before_mm ? (done * step_mm - before_mm) / (arc_mm - before_mm) : 1;
      line(done++) = before + std::clamp(f, 0.0, 1.0) * (light - before);
    }
    before_mm = arc_mm;
    before = light;
    last = here;
    if (c - first > 4 * count) return {};  // a bend round which the row hardly moves
  }
  return line;
}

/// Pitch of what repeats along the path at `row`, from the mean periodogram of pieces of it;
/// nullopt when no frequency stands out.
std::optional<double> pitch_of(const BandStrip& strip, const BandProfiles& profiles,
                               const BandTemplate& shape, double row) {
  constexpr double kPiece_mm = 60, kLeast_mm = 1.2, kMost_mm = 12, kStep_mm = 0.5;
  constexpr int kFrequencies = 320;
  constexpr double kStandsOut = 8;  // means of a few exponentials exceed it once in thousands
  const int length = static_cast<int>(kPiece_mm / kStep_mm);
  Eigen::MatrixXcd wave(kFrequencies, length);
  const auto frequency = [&](int k) {
    return 1 / kMost_mm + (1 / kLeast_mm - 1 / kMost_mm) * k / (kFrequencies - 1);
  };
  for (int i = 0; i < length; ++i) {
    const double taper = 1 - std::cos(2 * std::numbers::pi * (i + 0.5) / length);
    for (int k = 0; k < kFrequencies; ++k) {
      wave(k, i) = std::polar(taper, -2 * std::numbers::pi * frequency(k) * kStep_mm * i);
    }
  }
  const int advance = static_cast<int>(kPiece_mm / 2 / strip.column_mm);
  Eigen::ArrayXd power = Eigen::ArrayXd::Zero(kFrequencies);
  const Eigen::ArrayXd x = Eigen::ArrayXd::LinSpaced(length, -1, 1);
  for (int first = 0; first < strip.columns(); first += advance) {
    Eigen::ArrayXd line = light_along(strip, profiles, shape, row, first, length, kStep_mm);
    if (line.size() == 0) continue;
    line -= line.mean() + x * (line * x).sum() / x.square().sum();
    const double size = line.matrix().norm();
    if (size > 0) power += (wave * (line / size).matrix()).cwiseAbs2().array();
  }
  Eigen::Index peak = 0;
  const double top = power.maxCoeff(&peak);
  const double usual = median({power.data(), power.data() + power.size()});
  if (peak == 0 || peak + 1 >= power.size() || usual <= 0 || top < kStandsOut * usual) {
    return std::nullopt;
  }
  return 1 / frequency(static_cast<int>(peak));
}

/// The innermost row of dots. Its dip's area is that of a disc per pitch, which neither blur nor
/// sharpening changes: radius^2 * pi / pitch (in parts of the contrast).
std::optional<BandPrint::Dots> read_dots(const BandStrip& strip, const BandProfiles& profiles,
                                         const BandTemplate& shape, double solid, double outer,
                                         double inner) {
  const std::optional<double> pitch = pitch_of(strip, profiles, shape, (outer + inner) / 2);
  if (!pitch) return std::nullopt;
  Eigen::ArrayXd light = shape.gradient;
  for (Eigen::Index k = 1; k < light.size(); ++k) light(k) += light(k - 1);
  const auto index = [&](double row) {
    return std::clamp<Eigen::Index>(std::lround(row) + shape.half, 0, light.size() - 1);
  };
  const auto level = [&](double from, double to) {
    const Eigen::Index a = index(from), b = index(to);
    return light.segment(a, b - a + 1).mean();
  };
  const double per_mm = 1 / strip.row_mm, width = inner - outer;
  const double dark = level(solid - 4 * per_mm, solid - 1 * per_mm);
  const double clear = level(inner + width, inner + width + 2 * per_mm);
  if (clear <= dark) return std::nullopt;
  Eigen::Index first = index(outer);
  while (first > 0 && light(first - 1) > light(first)) --first;  // up to the gap before the row
  double area = 0, moment = 0;
  for (Eigen::Index k = first; k <= index(inner + width); ++k) {
    const double dip = (clear - light(k)) / (clear - dark);
    area += dip;
    // The sum of central differences up to k is the light half a row further in.
    moment += dip * (static_cast<double>(k - shape.half) + 0.5);
  }
  if (area <= 0) return std::nullopt;
  BandPrint::Dots dots;
  dots.outer_row = outer;
  dots.inner_row = inner;
  dots.pitch_mm = *pitch;
  dots.radius_mm = std::min(std::sqrt(area * strip.row_mm * *pitch / std::numbers::pi), *pitch / 2);
  dots.centre_row = std::clamp(moment / area, outer, inner);
  dots.limit_row = dots.centre_row + dots.radius_mm * per_mm;
  return dots;
}

}  // namespace

BandProfiles profiles_of(const BandStrip& strip) {
  BandProfiles profiles;
  const double length_mm =
      std::max(kBlock_mm, strip.columns() * strip.column_mm / static_cast<double>(kMostBlocks));
  const int blocks = std::max(1, static_cast<int>(strip.columns() * strip.column_mm / length_mm));
  profiles.block_columns = strip.columns() / blocks;
  profiles.row_mm = strip.row_mm;
  profiles.mean = Eigen::ArrayXXd::Zero(strip.rows(), blocks);
  profiles.gradient = profiles.mean;
  profiles.valid = profiles.mean;
  Eigen::ArrayXXd whole = profiles.mean;
  for (int r = 0; r < strip.rows(); ++r) {
    const uchar* grey = strip.grey.ptr<uchar>(r);
    const uchar* valid = strip.valid.ptr<uchar>(r);
    for (int b = 0; b < blocks; ++b) {
      double sum = 0;
      int count = 0;
      for (int c = b * profiles.block_columns; c < (b + 1) * profiles.block_columns; ++c) {
        sum += strip.light[grey[c]];
        count += valid[c];
      }
      profiles.mean(r, b) = sum / profiles.block_columns;
      whole(r, b) = count == profiles.block_columns ? 1 : 0;
    }
  }
  const int inner = strip.rows() - 2;
  profiles.gradient.middleRows(1, inner) =
      (profiles.mean.bottomRows(inner) - profiles.mean.topRows(inner)) / 2;
  profiles.valid.middleRows(1, inner) =
      whole.bottomRows(inner) * whole.middleRows(1, inner) * whole.topRows(inner);
  standardise(profiles.gradient, profiles.valid);
  return profiles;
}

BandTemplate find_template(const BandProfiles& profiles, const std::vector<double>& near_row,
                           double near_sigma_rows) {
  BandTemplate shape;
  shape.half = static_cast<int>(kTemplateReach_mm / profiles.row_mm);
  shape.path = best_path(evidence(rises(profiles), near_row, near_sigma_rows));
  aggregate(profiles, shape);
  for (int round = 0; round < 2; ++round) {
    const Eigen::ArrayXXd match = correlate(profiles, shape, 0, 2 * shape.half);
    shape.path = best_path(evidence(match, {}, near_sigma_rows));
    aggregate(profiles, shape);
  }
  const Eigen::ArrayXXd match = correlate(profiles, shape, 0, 2 * shape.half);
  for (int b = 0; b < profiles.blocks(); ++b) {
    shape.sign.push_back(match(shape.path[static_cast<std::size_t>(b)], b) < 0 ? -1 : 1);
  }
  return shape;
}

std::optional<BandPrint> read_print(const BandStrip& strip, const BandProfiles& profiles,
                                    const BandTemplate& shape) {
  constexpr double kRow = 0.1;           // of the steepest place
  constexpr double kFarthestRow_mm = 8;  // from one row of dots to the next
  // A row has two flanks, which may be sure together where neither is alone.
  const double flank = kSureSigmas / std::sqrt(2.0);
  const std::vector<Extremum> up = extrema(shape, 1, flank), down = extrema(shape, -1, flank);
  const auto solid = std::find_if(up.begin(), up.end(), [](const Extremum& e) {
    return e.value > kEdgePart && e.t_value > kSureSigmas;
  });
  if (solid == up.end()) return std::nullopt;
  BandPrint print;
  print.solid_row = solid->row;
  double first = 0, outer = 0, inner = solid->row;
  for (auto rise = solid + 1; rise != up.end(); ++rise) {
    if (rise->value < kRow) continue;
    if ((rise->row - inner) * strip.row_mm > kFarthestRow_mm) break;
    const Extremum* fall = nullptr;
    for (const Extremum& e : down) {
      const bool between = e.row > inner && e.row < rise->row && e.value > kRow;
      if (between && (fall == nullptr || e.value > fall->value)) fall = &e;
    }
    if (fall == nullptr || std::hypot(fall->t_value, rise->t_value) < kSureSigmas) continue;
    outer = fall->row;
    inner = rise->row;
    if (print.rows_of_dots == 0) first = outer;
    ++print.rows_of_dots;
  }
  if (print.rows_of_dots > 0) {
    print.dots = read_dots(strip, profiles, shape, solid->row, outer, inner);
    if (print.dots) print.dots->first_row = first;
  }
  return print;
}

std::vector<BandSight> locate(const BandProfiles& profiles, const BandTemplate& shape,
                              double from_row, double to_row, double mark) {
  constexpr int kReach = 6;  // rows: less than half the distance of two rows of dots
  const int last = 2 * shape.half;
  const int from = std::clamp(static_cast<int>(std::floor(from_row)) + shape.half, 0, last);
  const int to = std::clamp(static_cast<int>(std::ceil(to_row)) + shape.half, 0, last);
  const Eigen::ArrayXXd match = correlate(profiles, shape, from, to);
  const Eigen::ArrayXXd whole = correlate(profiles, shape, 0, last);
  std::vector<BandSight> sights(static_cast<std::size_t>(profiles.blocks()));
  for (int b = 0; b < profiles.blocks(); ++b) {
    BandSight& sight = sights[static_cast<std::size_t>(b)];
    const int path = shape.path[static_cast<std::size_t>(b)];
    sight.row = path + mark;
    const int low = std::max(1, path - kReach), high = std::min(profiles.rows() - 2, path + kReach);
    if (low >= high) continue;
    Eigen::Index best = 0;
    const double sign = shape.sign[static_cast<std::size_t>(b)];
    (sign * match.col(b).segment(low, high - low + 1)).maxCoeff(&best);
    const Eigen::Index r = low + best;
    const double before = sign * match(r - 1, b), top = sign * match(r, b);
    const double after = sign * match(r + 1, b);
    const double bend = before - 2 * top + after;
    // A peak at the end of the search is the slope of something else; so is one that fits a part of
    // the print only.
    if (top < kSeenSigmas || sign * whole(r, b) < kSeenSigmas || before > top || after > top ||
        bend >= 0)
      continue;
    sight.row = static_cast<double>(r) + (before - after) / (2 * bend) + mark;
    sight.sigma_rows = 1 / std::sqrt(-bend * top);
    sight.seen = true;
  }
  return sights;
}

}  // namespace panecard::trace
