// Does the stated plus-minus hold? Counted over rendered panes whose truth is exact: every cause of
// error that the program allows for is drawn at random from what the program says of it.
#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdlib>
#include <iostream>

#include "support/curve_match.h"
#include "support/render.h"
#include "whole/pipeline.h"

namespace panecard::whole {
namespace {

using support::CardKind;
using support::Dice;
using support::Scene;

#ifdef __SANITIZE_ADDRESS__
constexpr int kPanes = 6;  // the sanitizers look for faults, not for percentages
#else
constexpr int kPanes = 60;
#endif

// Nothing was set on these; seeds from 1000 and 2000 on were looked at while the trace was made.
constexpr std::uint64_t kFreshSeeds = 5000;

/// Set to count over many panes, in photos as large as phones take them: 12 megapixels.
const char* const kAskedFor = std::getenv("PANECARD_PANES");

int panes_asked_for() { return kAskedFor != nullptr ? std::atoi(kAskedFor) : 0; }

double binomial(int n, int k, double p) {
  return std::exp(std::lgamma(n + 1) - std::lgamma(k + 1) - std::lgamma(n - k + 1) +
                  k * std::log(p) + (n - k) * std::log1p(-p));
}

/// Probability of `misses` or more (fewer, with `fewer`) of n when each has probability p.
double tail(int n, int misses, double p, bool fewer) {
  double sum = 0;
  for (int k = fewer ? 0 : misses; k <= (fewer ? misses : n); ++k) sum += binomial(n, k, p);
  return sum;
}

/// What ISO/IEC 7810 and a print shop leave open; the standard deviations are those of
/// docs/card.md.
void vary_cards(Scene& scene, Dice& dice) {
  const double sheets = 1e-3 * dice.normal(), cards = 5e-4 * dice.normal();
  for (support::SceneCard& card : scene.cards) {
    const bool rigid = card.kind == CardKind::coded || card.kind == CardKind::plain;
    if (rigid) card.thickness_mm += 0.05 * dice.normal();
    card.print_scale = 1 + (card.kind == CardKind::coded ? cards : sheets) + 2e-4 * dice.normal();
    if (card.kind != CardKind::plain) continue;
    const card::PlainSize size;
    card.width_mm += size.sigma_width_mm * std::sqrt(3.0) * dice.uniform(-1, 1);
    card.height_mm += size.sigma_height_mm * std::sqrt(3.0) * dice.uniform(-1, 1);
  }
}

/// A lens profile as a calibration leaves it: off the truth by what it states.
photo::Lens profile_of(const support::Camera& camera, Dice& dice) {
  photo::Lens lens;
  lens.model = "rendered";
  lens.width_px = camera.width_px;
  lens.height_px = camera.height_px;
  lens.calibrated = true;
  lens.value = support::lens_vector(camera);
  photo::LensVector sigma = photo::LensVector::Zero();
  sigma[photo::kF] = 5e-4 * camera.f_px;
  sigma[photo::kCx] = sigma[photo::kCy] = 3e-4 * camera.width_px;
  sigma[photo::kK1] = 0.002;
  sigma[photo::kK2] = 0.003;
  for (int i = 0; i < photo::kLensSize; ++i) {
    lens.value[i] += sigma[i] * dice.normal();
    lens.covariance(i, i) = sigma[i] * sigma[i];
  }
  return lens;
}

/// A lens nobody calibrated: the camera is drawn from what the program presumes of such a one.
photo::Lens unknown_lens(support::Camera& camera, Dice& dice) {
  photo::Exif exif;
  exif.focal_35mm = 26;
  photo::Lens lens = photo::lens_from_exif(exif, camera.width_px, camera.height_px);
  const auto draw = [&](int i) {
    return lens.value[i] + std::sqrt(lens.covariance(i, i)) * dice.normal();
  };
  camera.f_px = draw(photo::kF);
  camera.cx_px = draw(photo::kCx);
  camera.cy_px = draw(photo::kCy);
  camera.k1 = draw(photo::kK1);
  camera.k2 = draw(photo::kK2);
  return lens;
}

/// Sides inside and outside their U95.
struct Sides {
  int count = 0, misses = 0;
  double squares =
      0;  ///< of the errors in standard uncertainties: the mean is 1 if those are right

  void add(double error_mm, double u95_mm) {
    ++count;
    misses += std::abs(error_mm) > u95_mm ? 1 : 0;
    squares += std::pow(2 * error_mm / u95_mm, 2);
  }
};

struct Count {
  int panes = 0, refused = 0, flagged = 0;
  /// What a warning sends a person to the overlay for is neither a hit nor a miss.
  Sides plain, warned;
  int measured() const { return panes - refused; }
};

/// The program says that another edge may be the pane's.
bool warns_of_edge(const std::vector<Finding>& findings) {
  return std::any_of(findings.begin(), findings.end(), [](const Finding& f) {
    return f.code == "two_edges" || f.code == "odd_shape" || f.code == "faint_seal" ||
           f.code == "step_levelled" || f.code == "step_in_edge" || f.code == "card_over_edge" ||
           f.code == "seal_cut_off";
  });
}

void print_row(std::uint64_t seed, const Scene& scene, const outline::Outline& outline,
               const PolygonMm& truth, bool flagged) {
  const OrientedBox box = min_area_box(truth);
  const support::CurveMatch match = support::match_curves(outline.points, truth);
  std::cout << seed << "  family " << static_cast<int>(scene.family) << " cards "
            << static_cast<int>(scene.cards.front().kind) << " x " << scene.cards.size()
            << (flagged ? "  flagged" : "") << "  long " << outline.long_mm.value - box.long_mm
            << " of " << outline.long_mm.u95 << "  short " << outline.short_mm.value - box.short_mm
            << " of " << outline.short_mm.u95 << "  median " << match.median_mm << " p95 "
            << match.p95_mm << " max " << match.max_mm << " seen " << outline.seen_fraction
            << std::endl;
}

void measure_one(std::uint64_t seed, std::uint64_t draw, const support::Wish& wish, bool calibrated,
                 bool print, Count& count) {
  Scene scene = support::random_scene(seed, wish);
  scene.seed = draw;
  Dice dice(draw ^ 0xC0FFEE);
  vary_cards(scene, dice);
  const photo::Lens lens =
      calibrated ? profile_of(scene.camera, dice) : unknown_lens(scene.camera, dice);
  Wanted wanted;
  if (scene.cards.front().kind == CardKind::plain) wanted.plain = card::PlainSize{};
  const auto measured = measure(std::vector<photo::Photo>{support::render(scene)}, lens, wanted);
  ++count.panes;
  if (!measured.ok()) {
    ++count.refused;
    if (print) std::cout << seed << "  none: " << measured.error().detail << std::endl;
    return;
  }
  const outline::Outline& outline = measured->outline;
  const bool flagged = warns_of_edge(measured->warnings);
  count.flagged += flagged ? 1 : 0;
  const PolygonMm truth = support::truth_of(scene).outline_mm;
  const OrientedBox box = min_area_box(truth);
  Sides& sides = flagged ? count.warned : count.plain;
  sides.add(outline.long_mm.value - box.long_mm, outline.long_mm.u95);
  sides.add(outline.short_mm.value - box.short_mm, outline.short_mm.u95);
  if (print) print_row(seed, scene, outline, truth, flagged);
}

struct Row {
  const char* name;
  CardKind cards;
  bool calibrated;
};
constexpr Row kRows[] = {
    {"coded cards, calibrated lens", CardKind::coded, true},
    {"sheet, calibrated lens", CardKind::sheet_a4, true},
    {"sheet, unknown lens", CardKind::sheet_letter, false},
    {"coded cards, unknown lens", CardKind::coded, false},
    {"plain card, calibrated lens", CardKind::plain, true},
};

/// Panes, lenses, cards and poses of every kind, `count` of them.
Count measure_panes(std::uint64_t first_seed, int count, bool print) {
  Count all;
  for (int i = 0; i < count; ++i) {
    const Row& row = kRows[static_cast<std::size_t>(i) % std::size(kRows)];
    support::Wish wish;
    wish.cards = row.cards;
    wish.width_px = 4032;
    const auto seed = first_seed + static_cast<std::uint64_t>(i);
    measure_one(seed, seed, wish, row.calibrated, print, all);
  }
  return all;
}

void print_sides(const char* name, const Sides& sides) {
  std::cout << name << ": " << sides.count - sides.misses << " of " << sides.count
            << " sides inside U95 ("
            << 100.0 * (sides.count - sides.misses) / std::max(1, sides.count)
            << " %), error over standard uncertainty "
            << std::sqrt(sides.squares / std::max(1, sides.count)) << " rms\n";
}

// PANECARD_PANES=200 prints a row for each pane and what docs/trace.md states.
TEST_CASE("whole: over panes of every kind the sides' U95 holds where no warning says otherwise" *
          doctest::skip(panes_asked_for() == 0)) {
  const Count all = measure_panes(kFreshSeeds, panes_asked_for(), true);
  std::cout << all.panes << " panes: " << all.refused << " refused, " << all.flagged
            << " measured with a warning about the edge\n";
  print_sides("no warning", all.plain);
  print_sides("with a warning", all.warned);
  CHECK(all.panes == panes_asked_for());
}

// Six panes whose edge the trace does find, each photographed many times over: what varies is the
// noise, the lens, the print and the cards' tolerances.
constexpr std::array<std::pair<std::uint64_t, Row>, 6> kPanesFound{{
    {1010, {"vent, coded cards", CardKind::coded, true}},
    {1013, {"quarter, coded cards", CardKind::coded, true}},
    {1014, {"vent, plain card", CardKind::plain, true}},
    {1016, {"quarter, sheet", CardKind::sheet_a4, true}},
    {1022, {"quarter, sheet, unknown lens", CardKind::sheet_letter, false}},
    {1028, {"vent, coded cards, unknown lens", CardKind::coded, false}},
}};

TEST_CASE("whole: over many photos of panes whose edge is found the sides' stated U95 holds") {
  const int panes = kPanes;
  Count all;
  for (int i = 0; i < panes; ++i) {
    const auto& [seed, row] = kPanesFound[static_cast<std::size_t>(i) % kPanesFound.size()];
    support::Wish wish;
    wish.cards = row.cards;
    measure_one(seed, 7000 + static_cast<std::uint64_t>(i), wish, row.calibrated, false, all);
  }
  CHECK(all.panes == panes);
  CHECK(all.measured() >= 0.8 * panes);
  // A pane's two sides go wrong together, so that they count as one when chance is judged. Between
  // 3 and 7 misses in 100 is what "95 %" may mean; a count that neither could give fails.
  const int misses = (all.plain.misses + all.warned.misses + 1) / 2;
  CAPTURE(misses);
  CHECK(tail(all.measured(), misses, 0.07, false) >= 0.005);
  CHECK(tail(all.measured(), misses, 0.03, true) >= 0.005);
}

}  // namespace
}  // namespace panecard::whole
