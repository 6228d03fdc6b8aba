#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>

#include "check/panes.h"
#include "fusion/fusion.h"

namespace panecard::fusion {
namespace {

/// What the measurements of one pane have in common.
struct Common {
  const char* what;
  bool card, lens;
};

/// As measure leaves it: lines and arcs, and the sources carried along.
check::Shape fitted(const check::Shape& drawn) {
  const auto outline = outline::fit(drawn.contour);
  REQUIRE(outline.ok());
  check::Shape out;
  out.contour = outline::at_outline_points(drawn.contour, outline.value());
  out.u95_mm = outline->u95_mm;
  return out;
}

/// So many simulated measurements of one pane, each with all its errors drawn and lying otherwise.
/// An error of what they have in common is drawn once for all.
std::vector<Measured> measured(const check::Shape& truth, int count, std::mt19937& random,
                               const Common& common) {
  std::vector<Measured> out;
  std::normal_distribution<double> normal;
  std::vector<double> once;
  for (std::size_t m = 0; m < truth.contour.modes.size(); ++m) once.push_back(normal(random));
  const auto alike = [&](std::size_t m) {
    if (m >= truth.contour.modes.size()) return false;
    const SourceName& source = truth.contour.mode_sources[m];
    return (common.card && source == ErrorSource::print_scale) ||
           (common.lens && source == ErrorSource::lens);
  };
  for (int i = 0; i < count; ++i) {
    std::size_t mode = 0;
    const check::Shape drawn = check::test::drawn(truth, [&] {
      const std::size_t m = mode++;
      return alike(m) ? once[m] : normal(random);
    });
    const std::string number = std::to_string(i);
    out.push_back({i + 1,
                   fitted(drawn),
                   "glass",
                   common.lens ? "phone-a" : "phone-" + number,
                   {"card" + std::to_string(common.card ? 0 : i)}});
  }
  return out;
}

/// The combined outline as measure would leave it.
check::Shape shape_of(const Combined& combined) {
  check::Shape out;
  out.contour = outline::at_outline_points(combined.contour, combined.outline);
  out.u95_mm = combined.outline.u95_mm;
  return out;
}

double median(std::vector<double> values) {
  std::nth_element(values.begin(), values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2),
                   values.end());
  return values[values.size() / 2];
}

struct Counted {
  int inside = 0, points = 0;
};

/// How often the true outline lies within the plus-minus of the combined one.
void count(const check::Shape& combined, const PolygonMm& truth, Counted& counted) {
  const auto motion = check::register_multi_start(truth, combined.contour.points);
  REQUIRE(motion.ok());
  PolygonMm laid;
  for (const PointMm p : truth) laid.push_back(motion.value()(p));
  const auto gaps = check::gaps_to(laid, combined.contour.points);
  for (std::size_t i = 0; i < gaps.size(); ++i) {
    counted.inside += std::abs(gaps[i].mm) <= combined.u95_mm[i] ? 1 : 0;
    ++counted.points;
  }
}

/// Many more for once: PANECARD_TRIALS=40.
int trials() {
  const char* wanted = std::getenv("PANECARD_TRIALS");
  return wanted != nullptr ? std::atoi(wanted) : 3;
}

}  // namespace

TEST_CASE("five measurements: the plus-minus falls by what they do not have in common, and holds") {
  struct Row {
    Common common;
    double least_fall;  ///< in the middle of the trials
  };
  // Five independent ones fall by sqrt(5) = 2.24, but for what is kept more coarsely. What card and
  // phone have in common stays: of a variance of 1 of which a share s is common, s + (1 - s) / 5.
  const Row rows[] = {{{"a card and a phone for each", false, false}, 1.8},
                      {{"a card for each, one phone", false, true}, 1.8},
                      {{"one card and one phone", true, true}, 1.3}};
  const check::Shape truth = check::test::shape_of(check::test::invented(5));
  double last = 1e9;
  for (const Row& row : rows) {
    CAPTURE(row.common.what);
    std::mt19937 random(21);
    Counted counted;
    std::vector<double> falls;
    int disagreeing = 0;
    for (int trial = 0; trial < trials(); ++trial) {
      const auto combined = combine(measured(truth, 5, random, row.common));
      REQUIRE(combined.ok());
      disagreeing += combined->disagrees ? 1 : 0;
      CHECK(combined->tests.size() == 5);
      falls.push_back(combined->median_u95_before_mm / combined->median_u95_mm);
      count(shape_of(combined.value()), truth.contour.points, counted);
    }
    const double share = static_cast<double>(counted.inside) / counted.points;
    MESSAGE(std::string(row.common.what)
            << ": falls by " << median(falls) << ", least "
            << *std::min_element(falls.begin(), falls.end()) << ", most "
            << *std::max_element(falls.begin(), falls.end()) << ", within " << share);
    CHECK(median(falls) >= row.least_fall);
    CHECK(median(falls) < last);
    last = median(falls);
    CHECK(share > 0.9);  // few trials of strongly connected points
    CHECK(disagreeing <= 1);
  }
}

TEST_CASE("what all measurements share does not become smaller by repeating") {
  // The print scale moves the width's end points by 5e-4 of it: U95 of the width 2 x 5e-4 x width.
  const check::Shape truth = check::test::shape_of(check::test::invented(5));
  std::mt19937 random(22);
  double widths[2] = {};
  for (const bool same_card : {false, true}) {
    const auto combined = combine(measured(truth, 4, random, {"", same_card, true}));
    REQUIRE(combined.ok());
    const auto rectangle = check::fit_rectangle(shape_of(combined.value()));
    REQUIRE(rectangle.ok());
    widths[same_card ? 1 : 0] = rectangle->values[check::width_bottom].size.u95;
    const double scale = 2 * 5e-4 * rectangle->values[check::width_bottom].size.value;
    if (same_card) CHECK(widths[1] >= 0.97 * scale);
  }
  CHECK(widths[1] > widths[0]);
}

TEST_CASE("a measurement that disagrees is named") {
  const check::Shape truth = check::test::shape_of(check::test::invented(6));
  std::mt19937 random(23);
  std::vector<Measured> all = measured(truth, 3, random, {"", false, false});
  const auto good = combine(all);
  REQUIRE(good.ok());
  CHECK(!good->disagrees.has_value());
  check::Shape wrong = check::test::drawn(truth, random);
  const PolygonMm normals = outward_normals(wrong.contour.points);
  const double left = extent_of(wrong.contour.points).low.x;
  for (std::size_t i = 0; i < normals.size(); ++i) {  // it took another edge at the left
    PointMm& p = wrong.contour.points[i];
    if (p.x < left + 100) p = p + 4.0 * normals[i];
  }
  all.push_back({9, wrong, "glass", "phone-w", {"card9"}});
  const auto with = combine(all);
  REQUIRE(with.ok());
  REQUIRE(with->disagrees.has_value());
  CHECK(*with->disagrees == 9);
}

TEST_CASE("what cannot be combined is refused with its reason") {
  std::mt19937 random(24);
  const check::Shape truth = check::test::shape_of(check::test::invented(6));
  const std::vector<Measured> two = measured(truth, 2, random, {"", false, false});
  std::vector<Measured> mixed = two, unknown = two;
  mixed[1].boundary = "solid";
  unknown[1].shape.sources_known = false;
  struct Row {
    std::vector<Measured> all;
    const char* why;
  };
  const Row rows[] = {{{two[0]}, "needs two measurements"},
                      {mixed, "different boundaries"},
                      {unknown, "measurement 2 does not tell"}};
  for (const Row& row : rows) {
    const auto combined = combine(row.all);
    REQUIRE(!combined.ok());
    CHECK(combined.error().detail.find(row.why) != std::string::npos);
  }
}

}  // namespace panecard::fusion
