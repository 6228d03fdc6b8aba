#include "outline/choose.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <set>

#include "outline/segment.h"

namespace panecard::outline {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr std::size_t kMostLinks = 120;  // keeps the dense solve, and hostile contours, bounded

double end_heading(const Link& link) { return link_point_at(link, link.length_mm / 2).heading_rad; }
double start_heading(const Link& link) {
  return link_point_at(link, -link.length_mm / 2).heading_rad;
}

std::size_t span(const Chain& chain, std::size_t k, std::size_t n) {
  return (chain.links[(k + 1) % chain.links.size()].first + n - chain.links[k].first) % n;
}

/// Two links become one of `kind`, started from the samples of both.
Chain joined(const Chain& chain, const Samples& samples, std::size_t k, PieceKind kind) {
  Chain result = chain;
  const std::size_t count = chain.links.size(), next = (k + 1) % count, n = samples.points.size();
  const Link &a = chain.links[k], &b = chain.links[next];
  const std::size_t many = span(chain, k, n) + span(chain, next, n);
  if (many < 3) return result;
  Link link = fit_alone(samples, kind == PieceKind::line ? kind : PieceKind::arc, a.first, many);
  link.kind = kind;
  if (kind == PieceKind::free) {
    link.rate = (b.curvature - a.curvature) * 2 / std::max(1.0, a.length_mm + b.length_mm);
  }
  link.kink_after = b.kink_after;
  result.links[k] = link;
  result.links.erase(result.links.begin() + static_cast<std::ptrdiff_t>(next));
  return result;
}

/// Merges neighbouring lines without a kink: the joint between them would be undetermined.
void join_straight(Chain& chain, const Samples& samples) {
  for (std::size_t k = 0; k < chain.links.size() && chain.links.size() > 2;) {
    const Link &a = chain.links[k], &b = chain.links[(k + 1) % chain.links.size()];
    const bool straight = a.kind == PieceKind::line && b.kind == PieceKind::line && !a.kink_after;
    if (!straight) {
      ++k;
      continue;
    }
    const std::size_t before = chain.links.size();
    chain = joined(chain, samples, k, PieceKind::line);
    if (chain.links.size() == before) return;
    k = 0;
  }
}

/// Turns a short line whose heading jumps at both ends have the same sign into an arc: it is a
/// rounded corner, unless its samples would show the curvature and do not.
void bend_chamfers(Chain& chain, const Samples& samples) {
  const std::size_t count = chain.links.size(), n = samples.points.size();
  for (std::size_t k = 0; k < count; ++k) {
    Link& link = chain.links[k];
    if (link.kind != PieceKind::line) continue;
    const double before =
        wrapped_angle(link.heading_rad - end_heading(chain.links[(k + count - 1) % count]));
    const double after =
        wrapped_angle(start_heading(chain.links[(k + 1) % count]) - link.heading_rad);
    if (before * after <= 0) continue;
    double weight = 0;
    for (std::size_t j = 0; j < span(chain, k, n); ++j)
      weight += samples.weight[(link.first + j) % n];
    const double sagitta_mm = link.length_mm * (before + after) / 8;
    // A parabola of that height has 4/45 of its square left after the best line.
    if (weight * sagitta_mm * sagitta_mm * 4 / 45 > 3 * samples.cost_per_unknown) continue;
    link.kind = PieceKind::arc;
    link.curvature = (before + after) / link.length_mm;
  }
}

/// Joints whose neighbours, each fitted alone, differ much in heading start as kinks; the BIC
/// decides later whether they stay. Where two lines meet at a small angle the shorter starts as an
/// arc: otherwise the position of their joint is ill-conditioned.
void mark_kinks(Chain& chain, double clear_kink_rad) {
  for (std::size_t k = 0; k < chain.links.size(); ++k) {
    Link& a = chain.links[k];
    Link& b = chain.links[(k + 1) % chain.links.size()];
    a.kink_after = std::abs(wrapped_angle(start_heading(b) - end_heading(a))) > clear_kink_rad;
    if (a.kink_after || a.kind != PieceKind::line || b.kind != PieceKind::line) continue;
    (a.length_mm < b.length_mm ? a : b).kind = PieceKind::arc;
  }
}

/// When the fit does not converge, a short link is the likely cause: makes it a smooth arc or
/// removes it.
Chain repaired(const Chain& start, const Samples& samples) {
  constexpr std::size_t kMostCulprits = 4;
  const std::size_t count = start.links.size();
  std::vector<std::size_t> order(count);
  for (std::size_t k = 0; k < count; ++k) order[k] = k;
  std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return start.links[a].length_mm < start.links[b].length_mm;
  });
  order.resize(std::min(count, kMostCulprits));
  for (const std::size_t k : order) {
    Chain bent = start;
    bent.links[k].kind = PieceKind::arc;
    bent.links[k].kink_after = false;
    bent.links[(k + count - 1) % count].kink_after = false;
    refine(bent, samples);
    if (bent.converged) return bent;
    if (count < 3) continue;
    Chain without = start;
    without.links[(k + count - 1) % count].kink_after |= start.links[k].kink_after;
    without.links.erase(without.links.begin() + static_cast<std::ptrdiff_t>(k));
    join_straight(without, samples);
    refine(without, samples);
    if (without.converged) return without;
  }
  return start;
}

/// Critical value of z^2 for `tests` independent tests together at 5 % (Sidak 1967).
double sidak_limit(std::size_t tests) {
  const double each = std::pow(0.95, 1.0 / static_cast<double>(std::max<std::size_t>(1, tests)));
  double low = 0, high = 10;  // erf(z / sqrt 2) = each
  for (int i = 0; i < 60; ++i) {
    const double z = (low + high) / 2;
    (std::erf(z / std::numbers::sqrt2) < each ? low : high) = z;
  }
  return low * low;
}

/// A change that removes unknowns, and the expected fall of the BIC by Wald's test.
struct Simplification {
  enum class What { straighten, unbend, smooth, join } what;
  std::size_t link;
  double expected_gain;
};

/// A quantity that is zero in the simpler chain, and its gradient with respect to the unknowns.
struct WaldTest {
  Simplification::What what;
  std::size_t link;
  double value, unknowns;
  Eigen::VectorXd gradient;
};

std::vector<WaldTest> wald_tests(const Chain& chain) {
  std::vector<WaldTest> tests;
  const std::size_t count = chain.links.size();
  const auto rows = static_cast<Eigen::Index>(6 * count);
  for (std::size_t k = 0; k < count; ++k) {
    const std::size_t next = (k + 1) % count;
    const auto at = static_cast<Eigen::Index>(6 * k), at_next = static_cast<Eigen::Index>(6 * next);
    const Link &a = chain.links[k], &b = chain.links[next];
    Eigen::VectorXd gradient = Eigen::VectorXd::Zero(rows);
    if (a.kind == PieceKind::arc) {
      gradient[at + 4] = 1;
      tests.push_back({Simplification::What::straighten, k, a.curvature, 1, gradient});
    } else if (a.kind == PieceKind::free) {
      gradient[at + 5] = 1;
      tests.push_back({Simplification::What::unbend, k, a.rate, 1, gradient});
    }
    gradient.setZero();
    const double jump = wrapped_angle(start_heading(b) - end_heading(a));
    if (a.kink_after && std::abs(jump) < 1) {
      gradient.segment<6>(at) -= link_point_at(a, a.length_mm / 2).d_heading.transpose();
      gradient.segment<6>(at_next) += link_point_at(b, -b.length_mm / 2).d_heading.transpose();
      gradient[at + 3] -= a.curvature / 2;
      gradient[at_next + 3] -= b.curvature / 2;
      tests.push_back({Simplification::What::smooth, k, jump, 1, gradient});
    } else if (!a.kink_after && a.kind == PieceKind::arc && b.kind == PieceKind::arc && count > 2) {
      gradient[at + 4] = 1, gradient[at_next + 4] = -1;
      tests.push_back({Simplification::What::join, k, a.curvature - b.curvature, 2, gradient});
    }
  }
  return tests;
}

std::vector<Simplification> simplifications(const Chain& chain, const Samples& samples) {
  const Response response(chain, samples);
  std::vector<Simplification> ways;
  if (!response.ok()) return ways;
  const std::vector<WaldTest> tests = wald_tests(chain);
  Eigen::MatrixXd all(static_cast<Eigen::Index>(6 * chain.links.size()),
                      static_cast<Eigen::Index>(tests.size()));
  for (std::size_t t = 0; t < tests.size(); ++t) {
    all.col(static_cast<Eigen::Index>(t)) = tests[t].gradient;
  }
  const Eigen::MatrixXd steps = response.step(all);
  for (std::size_t t = 0; t < tests.size(); ++t) {
    const double variance = tests[t].gradient.dot(steps.col(static_cast<Eigen::Index>(t)));
    const double loss = variance > 0 ? tests[t].value * tests[t].value / variance : 0;
    const double gain = tests[t].unknowns * samples.cost_per_unknown - loss;
    if (gain > 0) ways.push_back({tests[t].what, tests[t].link, gain});
  }
  std::sort(ways.begin(), ways.end(), [](const Simplification& a, const Simplification& b) {
    return a.expected_gain > b.expected_gain;
  });
  return ways;
}

Chain applied(const Chain& chain, const Samples& samples, const Simplification& way) {
  Chain result = chain;
  Link& link = result.links[way.link];
  switch (way.what) {
    case Simplification::What::straighten:
      link.kind = PieceKind::line;
      link.curvature = 0;
      break;
    case Simplification::What::unbend:
      link.kind = PieceKind::arc;
      link.rate = 0;
      break;
    case Simplification::What::smooth:
      link.kink_after = false;
      break;
    case Simplification::What::join:
      return joined(chain, samples, way.link, PieceKind::arc);
  }
  return result;
}

bool take_if_better(Chain& chain, Chain other, const Samples& samples) {
  if (other.links.size() < 2 || other.links.size() > kMostLinks) return false;
  join_straight(other, samples);
  refine(other, samples);
  if (!other.converged || other.bic >= chain.bic) return false;
  chain = std::move(other);
  return true;
}

bool simplify(Chain& chain, const Samples& samples) {
  for (const Simplification& way : simplifications(chain, samples)) {
    if (take_if_better(chain, applied(chain, samples, way), samples)) return true;
  }
  return false;
}

/// Tries to merge two neighbouring curved links into one clothoid.
bool join_free(Chain& chain, const Samples& samples, std::set<std::size_t>& tried) {
  const std::size_t count = chain.links.size();
  for (std::size_t k = 0; k < count && count > 2; ++k) {
    const Link &a = chain.links[k], &b = chain.links[(k + 1) % count];
    if (a.kink_after || (a.kind == PieceKind::line && b.kind == PieceKind::line)) continue;
    // A corner next to an edge turns far more than both would share out evenly.
    const double turn_a = std::abs(a.curvature) * a.length_mm;
    const double turn_b = std::abs(b.curvature) * b.length_mm;
    const double shorter = std::min(a.length_mm, b.length_mm) / (a.length_mm + b.length_mm);
    const double tighter = a.length_mm < b.length_mm ? turn_a : turn_b;
    if (tighter > 4 * shorter * (turn_a + turn_b) || !tried.insert(a.first).second) continue;
    if (take_if_better(chain, joined(chain, samples, k, PieceKind::free), samples)) return true;
  }
  return false;
}

/// How much chi-square of a link one more regression term would explain: s^2 for a line; for a cut
/// at `knee` a truncated parabola that starts there.
struct LackOfFit {
  double bend = 0, cut = 0;
  std::size_t knee = 0;  ///< samples from the link's first
};

LackOfFit lack_of_fit(const Chain& chain, const Samples& samples, std::size_t k) {
  const std::size_t n = samples.points.size(), many = span(chain, k, n);
  const Link& link = chain.links[k];
  LackOfFit excess;
  if (many < 8) return excess;
  std::vector<double> t(many), r(many);
  const double half = link.length_mm / 2;
  for (std::size_t j = 0; j < many; ++j) {
    const Foot foot = foot_of(link, samples.points[(link.first + j) % n]);
    t[j] = foot.s_mm / half, r[j] = foot.offset_mm;
  }
  const auto chi2_with = [&](int terms, double knee) {
    Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(terms, terms);
    Eigen::VectorXd right = Eigen::VectorXd::Zero(terms);
    for (std::size_t j = 0; j < many; ++j) {
      const double past = std::max(0.0, t[j] - knee);
      const Eigen::Vector4d row(1, t[j], t[j] * t[j], past * past);
      const double w = samples.weight[(link.first + j) % n];
      normal += w * row.head(terms) * row.head(terms).transpose();
      right += w * r[j] * row.head(terms);
    }
    return right.dot(normal.ldlt().solve(right));
  };
  const double level = chi2_with(2, 2), bent = chi2_with(3, 2);
  excess.bend = link.kind == PieceKind::line ? bent - level : 0;
  constexpr int kKnees = 7;
  for (int q = 1; q <= kKnees; ++q) {
    const double knee = -1 + 2.0 * q / (kKnees + 1);
    const double gain = chi2_with(4, knee) - bent;
    if (gain <= excess.cut) continue;
    excess.cut = gain;
    excess.knee = many * static_cast<std::size_t>(q) / (kKnees + 1);
  }
  return excess;
}

Chain cut_in_two(const Chain& chain, const Samples& samples, std::size_t k, std::size_t knee) {
  Chain result = chain;
  const std::size_t n = samples.points.size(), many = span(chain, k, n);
  const Link& whole = chain.links[k];
  Link a = fit_alone(samples, PieceKind::arc, whole.first, knee);
  Link b = fit_alone(samples, PieceKind::arc, whole.first + knee, many - knee);
  b.kink_after = whole.kink_after;
  result.links[k] = a;
  result.links.insert(result.links.begin() + static_cast<std::ptrdiff_t>(k + 1), b);
  return result;
}

/// The chain with link `k` refitted alone: tangent curves have no well-defined intersection, so a
/// joint that becomes a kink needs a start in which its neighbours cross.
Chain refitted(const Chain& chain, const Samples& samples, std::size_t k) {
  Chain result = chain;
  Link& link = result.links[k];
  const bool kink_after = link.kink_after;
  link = fit_alone(samples, link.kind == PieceKind::line ? link.kind : PieceKind::arc, link.first,
                   span(chain, k, samples.points.size()));
  link.kink_after = kink_after;
  return result;
}

/// Removes heading constraints with a large score: at both ends of a link, then at one joint.
bool allow_kink(Chain& chain, const Samples& samples, std::set<std::size_t>& tried,
                std::set<std::size_t>& tried_pairs) {
  const Response response(chain, samples);
  const std::vector<double> pairs = response.pair_gains(), gains = response.kink_gains();
  const std::size_t count = chain.links.size(), n = samples.points.size();
  for (std::size_t k = 0; k < count; ++k) {
    if (pairs[k] <= 2 * samples.cost_per_unknown || span(chain, k, n) < 5) continue;
    if (!tried_pairs.insert(chain.links[k].first).second) continue;
    Chain both = refitted(chain, samples, k);
    both.links[k].kink_after = true;
    both.links[(k + count - 1) % count].kink_after = true;
    if (take_if_better(chain, std::move(both), samples)) return true;
  }
  for (std::size_t k = 0; k < count; ++k) {
    const std::size_t next = (k + 1) % count;
    if (gains[k] <= samples.cost_per_unknown || !tried.insert(chain.links[next].first).second)
      continue;
    const std::size_t shorter = chain.links[k].length_mm < chain.links[next].length_mm ? k : next;
    if (span(chain, shorter, n) < 5) continue;
    Chain one = refitted(chain, samples, shorter);
    one.links[k].kink_after = true;
    Chain both = one;
    both.links[shorter].kink_after = true;
    both.links[(shorter + count - 1) % count].kink_after = true;
    if (take_if_better(chain, std::move(both), samples)) return true;
    if (take_if_better(chain, std::move(one), samples)) return true;
  }
  return false;
}

/// Tries an arc in place of a kink, a tenth of the shorter neighbour long on either side.
bool round_kink(Chain& chain, const Samples& samples, std::set<std::size_t>& tried) {
  constexpr double kShare = 0.1;
  const std::size_t count = chain.links.size(), n = samples.points.size();
  for (std::size_t k = 0; k < count; ++k) {
    const std::size_t next = (k + 1) % count;
    const Link &a = chain.links[k], &b = chain.links[next];
    if (!a.kink_after || !tried.insert(b.first).second) continue;
    const std::size_t back = std::min(span(chain, k, n), span(chain, next, n)) / 10;
    if (back < 3) continue;
    const double turn = wrapped_angle(start_heading(b) - end_heading(a));
    const double reach_mm = kShare * std::min(a.length_mm, b.length_mm);
    Link arc;
    arc.kind = PieceKind::arc;
    arc.first = (b.first + n - back) % n;
    arc.heading_rad = end_heading(a) + turn / 2;
    arc.length_mm = 2 * reach_mm;
    arc.curvature = turn / arc.length_mm;
    const PointMm joint = link_point_at(a, a.length_mm / 2).place;
    const PointMm inward{-std::sin(arc.heading_rad), std::cos(arc.heading_rad)};
    arc.middle = joint + (reach_mm * std::tan(turn / 4)) * inward;
    Chain other = chain;
    const auto shorten = [&](Link& link, double side) {
      const LinkPoint middle = link_point_at(link, -side * reach_mm / 2);
      link.middle = middle.place;
      link.heading_rad = middle.heading_rad;
      link.length_mm -= reach_mm;
    };
    shorten(other.links[k], 1);
    shorten(other.links[next], -1);
    other.links[k].kink_after = false;
    other.links[next].first = (b.first + back) % n;
    other.links.insert(other.links.begin() + static_cast<std::ptrdiff_t>(k + 1), arc);
    if (take_if_better(chain, std::move(other), samples)) return true;
  }
  return false;
}

bool enrich(Chain& chain, const Samples& samples, std::set<std::size_t>& tried) {
  const double price = samples.cost_per_unknown;
  for (std::size_t k = 0; k < chain.links.size(); ++k) {
    const std::size_t first = chain.links[k].first;
    const LackOfFit excess = lack_of_fit(chain, samples, k);
    if (excess.bend > price) {
      Chain other = chain;
      other.links[k].kind = PieceKind::arc;
      if (take_if_better(chain, std::move(other), samples)) return true;
    }
    const std::size_t many = span(chain, k, samples.points.size());
    if (excess.cut > 2 * price && excess.knee >= 5 && many - excess.knee >= 5 &&
        tried.insert(first).second) {
      if (take_if_better(chain, cut_in_two(chain, samples, k, excess.knee), samples)) return true;
    }
  }
  return false;
}

}  // namespace

Chain choose(const Samples& samples) {
  Chain chain = segment(samples);
  if (chain.links.size() < 2) return chain;
  bend_chamfers(chain, samples);
  const Chain cut = chain;
  // A cut may sit 9 degrees off at either end, so 30 degrees is a kink for sure; when the joints do
  // not close that way, fewer or more kinks may.
  for (const double clear_kink_deg : {30.0, 12.0, 180.0}) {
    Chain start = cut;
    mark_kinks(start, clear_kink_deg * kPi / 180);
    join_straight(start, samples);
    chain = start;
    refine(chain, samples);
    if (!chain.converged) chain = repaired(start, samples);
    if (chain.converged) break;
  }
  return chain.converged ? improved(std::move(chain), samples) : chain;
}

Chain improved(Chain chain, const Samples& samples) {
  constexpr int kMostRounds = 200;
  std::set<std::size_t> tried_cuts, tried_joins, tried_kinks, tried_pairs, tried_arcs;
  refine(chain, samples);
  for (int round = 0; round < kMostRounds && chain.converged; ++round) {
    const bool changed =
        simplify(chain, samples) || allow_kink(chain, samples, tried_kinks, tried_pairs) ||
        round_kink(chain, samples, tried_arcs) || enrich(chain, samples, tried_cuts) ||
        join_free(chain, samples, tried_joins);
    if (!changed) break;
  }
  return chain;
}

bool drop_insignificant(Chain& chain, const Samples& samples, const Eigen::MatrixXd& modes,
                        DroppedTerm& dropped) {
  constexpr double kMostMisfit = 4;
  const std::vector<WaldTest> tests = wald_tests(chain);
  const double limit = sidak_limit(tests.size());
  std::vector<std::pair<double, const WaldTest*>> order;
  for (const WaldTest& test : tests) {
    const double variance = (test.gradient.transpose() * modes).squaredNorm();
    const double z2 = variance > 0 ? test.value * test.value / variance : 0;
    // What spares more unknowns goes first.
    if (z2 < limit) order.emplace_back(z2 - limit * test.unknowns, &test);
  }
  std::stable_sort(order.begin(), order.end(),
                   [](const auto& a, const auto& b) { return a.first < b.first; });
  for (const auto& [rank, test] : order) {
    Chain other = applied(chain, samples, {test->what, test->link, 0});
    if (other.links.size() < 2) continue;
    join_straight(other, samples);
    refine(other, samples);
    if (!other.converged || other.chi2 > kMostMisfit * (chain.chi2 + samples.expected_chi2))
      continue;
    dropped = {test->gradient, test->value};
    chain = std::move(other);
    return true;
  }
  return false;
}

Chain lines_to_arcs_where_smooth(const Chain& chain, const Samples& samples) {
  Chain bent = chain;
  const std::size_t count = chain.links.size();
  for (std::size_t k = 0; k < count; ++k) {
    const Link &before = chain.links[(k + count - 1) % count],
               &after = chain.links[(k + 1) % count];
    Link& link = bent.links[k];
    if (link.kind != PieceKind::line) continue;
    const auto shallow = [&](const Link& other) {
      return other.kind == PieceKind::arc && std::abs(other.curvature) * link.length_mm < 1;
    };
    const bool wanted =
        (!before.kink_after && shallow(before)) || (!link.kink_after && shallow(after));
    if (wanted) link.kind = PieceKind::arc;
  }
  refine(bent, samples);
  return bent.converged ? bent : chain;
}

}  // namespace panecard::outline
