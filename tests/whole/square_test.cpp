// "Out of square?" from rendered photos: true sliders and the same ones racked by 3.5 mm.
#include <doctest/doctest.h>

#include <cmath>
#include <cstdlib>
#include <iostream>

#include "check/check.h"
#include "support/render.h"
#include "whole/pipeline.h"

namespace panecard::whole {
namespace {

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
  int measured = 0, blamed = 0, cleared = 0, covered = 0;
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

}  // namespace

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
  CHECK(racked.measured + straight.measured >= panes());
  // Nothing is tuned to these scenes, and the trace still takes a wrong edge in some of them
  // (docs/trace.md): what must not happen often is a wrong verdict, or none.
  CHECK(racked.cleared <= 0.15 * racked.measured);
  CHECK(racked.blamed >= 0.6 * racked.measured);
  CHECK(straight.blamed <= 0.15 * straight.measured);
  CHECK(straight.cleared >= 0.6 * straight.measured);
}

}  // namespace panecard::whole
