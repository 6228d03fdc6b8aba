#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "base/base.h"
#include "check/panes.h"
#include "library/library.h"
#include "library/results.h"
#include "support/folder.h"

namespace panecard::library {

using support::Folder;

namespace {

const Stamp kStamp{"t", "w", "r"};
const Vehicle kVehicle{"Norden", "Kuma", "", "", ""};
const Pane kPane{"rear door", "left", ""};

}  // namespace

TEST_CASE("measurements are combined, left out when that is asked for, and put in force") {
  const check::Shape truth = check::test::shape_of(check::test::invented(6));
  std::mt19937 random(23);
  const Folder folder;
  auto opened = Library::open(folder / "l", {Access::create, 5000});
  REQUIRE(opened.ok());
  Library& library = opened.value();
  const auto add = [&](const check::Shape& shape, int number) {
    const std::string photo = "p" + std::to_string(number);
    const std::string json = test::result(shape, photo, number, "phone-" + photo);
    REQUIRE(library.add(kVehicle, kPane, json, {}, kStamp, false).ok());
  };
  for (int i = 0; i < 3; ++i) add(check::test::drawn(truth, random), i);
  check::Shape wrong = check::test::drawn(truth, random);
  const PolygonMm normals = outward_normals(wrong.contour.points);
  const double left = extent_of(wrong.contour.points).low.x;
  for (std::size_t i = 0; i < normals.size(); ++i) {  // it took another edge at the left
    PointMm& p = wrong.contour.points[i];
    if (p.x < left + 100) p = p + 4.0 * normals[i];
  }
  add(wrong, 9);
  const auto with = library.combine(1, {});
  REQUIRE(with.ok());
  REQUIRE(with->disagrees.has_value());
  CHECK(*with->disagrees == 4);
  const auto without = library.combine(1, {4});
  REQUIRE(without.ok());
  CHECK(!without->disagrees.has_value());
  CHECK(without->used == std::vector<std::int64_t>{1, 2, 3});
  REQUIRE(library.put_in_force(1, without->result_json, without->used, kStamp).ok());
  CHECK(library.show(1)->made_from == without->used);
  CHECK(library.pattern_shape(1)->sources_known);
  CHECK(library.verify()->empty());
  CHECK(!library.combine(1, {1, 2, 3}).ok());
  CHECK(!library.combine(1, {77}).ok());
}

TEST_CASE("left and right panes are compared after mirroring") {
  const Folder folder;
  const check::Shape left = check::test::shape_of(check::test::invented(7));
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
