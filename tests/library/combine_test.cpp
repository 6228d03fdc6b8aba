#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>

#include "base/base.h"
#include "check/panes.h"
#include "library/library.h"
#include "library/results.h"
#include "outline/outline.h"
#include "support/folder.h"

namespace panecard::library {

using support::Folder;

namespace {

const Stamp kStamp{"t", "w", "r"};
const Vehicle kVehicle{"Norden", "Kuma", "", "", ""};
const Pane kPane{"rear door", "left", ""};

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
  out.contour = outline::carried(drawn.contour, outline.value());
  out.u95_mm = outline->u95_mm;
  return out;
}

/// So many simulated measurements of one pane, each with all its errors drawn and lying otherwise.
/// An error of what they have in common is drawn once for all.
Library measured(const Folder& folder, const check::Shape& truth, int count, std::mt19937& random,
                 const Common& common) {
  auto library = Library::open(folder / "l", {Access::create, 5000});
  REQUIRE(library.ok());
  std::normal_distribution<double> normal;
  std::vector<double> once;
  for (std::size_t m = 0; m < truth.contour.modes.size(); ++m) once.push_back(normal(random));
  const auto alike = [&](std::size_t m) {
    if (m >= truth.contour.modes.size()) return false;
    const std::string& name = truth.contour.mode_names[m];
    return (common.card && name == "print scale") || (common.lens && name == "lens");
  };
  for (int i = 0; i < count; ++i) {
    std::size_t mode = 0;
    const check::Shape drawn = check::test::drawn(truth, [&] {
      const std::size_t m = mode++;
      return alike(m) ? once[m] : normal(random);
    });
    const std::string number = std::to_string(i);
    const std::string json = test::result(fitted(drawn), "p" + number, common.card ? 0 : i,
                                          common.lens ? "phone-a" : "phone-" + number);
    REQUIRE(library.value().add(kVehicle, kPane, json, {}, kStamp, false).ok());
  }
  return std::move(library).value();
}

double middle_of(std::vector<double> values) {
  std::nth_element(values.begin(), values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2),
                   values.end());
  return values[values.size() / 2];
}

struct Counted {
  int inside = 0, points = 0;
};

/// How often the true outline lies within the plus-minus of the combined one.
void count(const check::Shape& combined, const PolygonMm& truth, Counted& counted) {
  const auto motion = check::lay_anyhow(truth, combined.contour.points);
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
  const check::Shape truth = check::test::shape_of(test::outline(5));
  double last = 1e9;
  for (const Row& row : rows) {
    CAPTURE(row.common.what);
    std::mt19937 random(21);
    Counted counted;
    std::vector<double> falls;
    int disagreeing = 0;
    for (int trial = 0; trial < trials(); ++trial) {
      const Folder folder;
      Library library = measured(folder, truth, 5, random, row.common);
      const auto combined = library.combine(1, {});
      REQUIRE(combined.ok());
      disagreeing += combined->disagrees ? 1 : 0;
      CHECK(combined->used.size() == 5);
      falls.push_back(combined->median_u95_before_mm / combined->median_u95_mm);
      REQUIRE(library.put_in_force(1, combined->result_json, combined->used, kStamp).ok());
      const auto shape = library.pattern_shape(1);
      REQUIRE(shape.ok());
      count(shape.value(), truth.contour.points, counted);
      CHECK(library.show(1)->made_from == std::vector<std::int64_t>{1, 2, 3, 4, 5});
      CHECK(library.verify()->empty());
    }
    const double share = static_cast<double>(counted.inside) / counted.points;
    MESSAGE(std::string(row.common.what)
            << ": falls by " << middle_of(falls) << ", least "
            << *std::min_element(falls.begin(), falls.end()) << ", most "
            << *std::max_element(falls.begin(), falls.end()) << ", within " << share);
    CHECK(middle_of(falls) >= row.least_fall);
    CHECK(middle_of(falls) < last);
    last = middle_of(falls);
    CHECK(share > 0.9);  // few trials of strongly connected points
    CHECK(disagreeing <= 1);
  }
}

TEST_CASE("what all measurements share does not become smaller by repeating") {
  // The print scale moves the width's end points by 5e-4 of it: U95 of the width 2 x 5e-4 x width.
  const check::Shape truth = check::test::shape_of(test::outline(5));
  std::mt19937 random(22);
  double widths[2] = {};
  for (const bool same_card : {false, true}) {
    const Folder folder;
    Library library = measured(folder, truth, 4, random, {"", same_card, true});
    const auto combined = library.combine(1, {});
    REQUIRE(combined.ok());
    REQUIRE(library.put_in_force(1, combined->result_json, combined->used, kStamp).ok());
    const auto rectangle = check::fit_rectangle(library.pattern_shape(1).value());
    REQUIRE(rectangle.ok());
    widths[same_card ? 1 : 0] = rectangle->values[check::width_bottom].size.u95;
    const double scale = 2 * 5e-4 * rectangle->values[check::width_bottom].size.value;
    if (same_card) CHECK(widths[1] >= 0.97 * scale);
  }
  CHECK(widths[1] > widths[0]);
}

TEST_CASE("a measurement that disagrees is named, and left out only when that is asked for") {
  const check::Shape truth = check::test::shape_of(test::outline(6));
  std::mt19937 random(23);
  const Folder folder;
  Library library = measured(folder, truth, 3, random, {"", false, false});
  check::Shape wrong = check::test::drawn(truth, random);
  const PolygonMm normals = outward_normals(wrong.contour.points);
  const double left = extent_of(wrong.contour.points).low.x;
  for (std::size_t i = 0; i < normals.size(); ++i) {  // it took another edge at the left
    PointMm& p = wrong.contour.points[i];
    if (p.x < left + 100) p = p + 4.0 * normals[i];
  }
  REQUIRE(library.add(kVehicle, kPane, test::result(wrong, "w", 9), {}, kStamp, false).ok());
  const auto with = library.combine(1, {});
  REQUIRE(with.ok());
  REQUIRE(with->disagrees.has_value());
  CHECK(*with->disagrees == 4);
  const auto without = library.combine(1, {4});
  REQUIRE(without.ok());
  CHECK(!without->disagrees.has_value());
  CHECK(without->used == std::vector<std::int64_t>{1, 2, 3});
  CHECK(!library.combine(1, {1, 2, 3}).ok());
  CHECK(!library.combine(1, {77}).ok());
}

TEST_CASE("left and right panes are compared after mirroring") {
  const Folder folder;
  const check::Shape left = check::test::shape_of(test::outline(7));
  PolygonMm points = left.contour.points;
  for (PointMm& p : points) p.x = -p.x;
  std::reverse(points.begin(), points.end());
  auto library = Library::open(folder / "l", {Access::create, 5000});
  REQUIRE(library.ok());
  const std::string right = test::result(check::test::shape_of(points));
  REQUIRE(library.value().add(kVehicle, kPane, test::result(left), {}, kStamp, false).ok());
  REQUIRE(library.value().add(kVehicle, {"rear door", "right", ""}, right, {}, kStamp, false).ok());
  const auto a = library.value().pattern_shape(1), b = library.value().pattern_shape(2);
  const auto same = check::compare(a.value(), b.value(), true, 2);
  const auto other = check::compare(a.value(), b.value(), false, 2);
  REQUIRE(same.ok());
  REQUIRE(other.ok());
  CHECK(same->same == check::Verdict::yes);
  CHECK(same->gap.size_mm < 0.02);
  CHECK(other->same == check::Verdict::no);
}

}  // namespace panecard::library
