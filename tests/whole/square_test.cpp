// "Out of square?" from rendered photos: true sliders and the same ones racked by 3.5 mm.
#include <doctest/doctest.h>

#include <cmath>
#include <cstdlib>
#include <iostream>

#include "check/check.h"
#include "support/chance.h"
#include "support/render.h"
#include "whole/pipeline.h"

namespace panecard::whole {
namespace {

using support::or_more;

#ifdef __SANITIZE_ADDRESS__
constexpr int kPanes = 2;  // the sanitizers look for faults, not for percentages
#else
constexpr int kPanes = 12;
#endif

/// Set to count over many panes, in photos as large as phones take them: 12 megapixels.
const char* const kAskedFor = std::getenv("PANECARD_PANES");

/// The first pane's number, to count over others.
const char* const kFirst = std::getenv("PANECARD_FIRST");

int first() { return kFirst != nullptr ? std::atoi(kFirst) : 0; }
int panes() { return kAskedFor != nullptr ? std::atoi(kAskedFor) : kPanes; }

struct Count {
  int panes = 0, measured = 0, blamed = 0, cleared = 0, covered = 0;
};

photo::Lens profile_of(const support::Camera& camera) {
  photo::Lens lens;
  lens.width_px = camera.width_px, lens.height_px = camera.height_px;
  lens.calibrated = true;
  lens.value = support::lens_vector(camera);
  return lens;
}

void measure_one(int i, double racked_mm, Count& count) {
  support::Wish wish;
  wish.family = support::Family::slider;
  if (kAskedFor != nullptr) wish.width_px = 4032;
  wish.cards = i % 2 == 0 ? support::CardKind::coded : support::CardKind::sheet_a4;
  support::Scene scene = support::random_scene(500 + static_cast<std::uint64_t>(i), wish);
  ++count.panes;
  for (support::Vertex& v : scene.vertices) v.at.x += v.at.y > 1 ? racked_mm : 0;
  const auto m = measure(std::vector<photo::Photo>{support::render(scene)},
                         profile_of(scene.camera), Wanted{});
  if (!m.ok()) return;
  const check::Shape shape{m->covariance, m->outline.u95_mm, true};
  const auto r = check::fit_rectangle(shape);
  if (!r.ok()) return;
  ++count.measured;
  const auto& d = r.value()[check::out_of_square].size;
  const check::Verdict v = check::is_out_of_square(r.value());
  count.blamed += v == check::Verdict::yes ? 1 : 0;
  count.cleared += v == check::Verdict::no ? 1 : 0;
  count.covered += std::abs(d.value - racked_mm) <= d.u95 ? 1 : 0;
  if (kAskedFor == nullptr) return;
  const char* const said = v == check::Verdict::yes  ? "out"
                           : v == check::Verdict::no ? "square"
                                                     : "open";
  std::cout << i << " racked " << racked_mm << " found " << d.value << " of " << d.u95 << " "
            << said;
  for (const auto b : {check::bow_bottom, check::bow_right, check::bow_top, check::bow_left}) {
    std::cout << "  bow " << r.value()[b].size.value << " of " << r.value()[b].size.u95;
  }
  const double taper = r.value()[check::wider_at_top].size.value,
               taper2 = r.value()[check::higher_at_right].size.value;
  std::cout << "  taper " << taper << " of " << r.value()[check::wider_at_top].size.u95 << "  "
            << taper2 << " of " << r.value()[check::higher_at_right].size.u95 << "\n";
}

TEST_CASE("whole: rendered sliders racked by 3.5 mm are called out of square, true ones are not") {
  Count racked, straight;
  for (int i = first(); i < first() + panes(); ++i) {
    measure_one(i, 3.5, racked);
    measure_one(i, 0, straight);
  }
  MESSAGE("racked: " << racked.blamed << " of " << racked.measured << " called out of square, "
                     << racked.cleared << " called square, " << racked.covered
                     << " within U95; true: " << straight.blamed << " of " << straight.measured
                     << " called so, " << straight.cleared << " called square, " << straight.covered
                     << " within U95");
  REQUIRE(racked.panes == panes());
  REQUIRE(straight.panes == panes());
  // docs/check.md, over 800 panes of either kind in photos of 12 megapixels: 2 in 100 not measured,
  // 2 in 100 of the racked ones not called so, none called square, 1 in 200 of the true ones
  // blamed; docs/trace.md: in photos of half that width twice as many are refused. Each bound fails
  // a program that is as good as that in 1 of 400 runs over panes drawn anew.
  constexpr double kLevel = 0.0025;
  const int refused = 2 * panes() - racked.measured - straight.measured;
  CHECK(or_more(2 * panes(), refused, kAskedFor != nullptr ? 0.02 : 0.04) >= kLevel);
  CHECK(or_more(racked.measured, racked.measured - racked.blamed, 0.02) >= kLevel);
  CHECK(or_more(racked.measured, racked.cleared, 0.005) >= kLevel);
  CHECK(or_more(straight.measured, straight.blamed, 0.005) >= kLevel);
  CHECK(straight.cleared >= 0.6 * panes());
  // U95, for both together: what is racked lies as much within it as what is not.
  const int missed = racked.measured + straight.measured - racked.covered - straight.covered;
  CHECK(or_more(racked.measured + straight.measured, missed, 0.05) >= kLevel);
}

}  // namespace
}  // namespace panecard::whole
