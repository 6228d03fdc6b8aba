// What the user knows beforehand, and what is refused of it.
#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <optional>
#include <string>

#include "measure/measure.h"

namespace panecard::measure {
namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();

Options with(const std::function<void(Options&)>& change) {
  Options options;
  change(options);
  return options;
}

}  // namespace

TEST_CASE("each boundary has one name and each name one boundary") {
  for (const auto boundary :
       {trace::Boundary::glass, trace::Boundary::solid, trace::Boundary::dots}) {
    CHECK(boundary_named(name_of(boundary)) == boundary);
  }
  CHECK(name_of(trace::Boundary::glass) != name_of(trace::Boundary::dots));
  CHECK(!boundary_named("Glass"));
  CHECK(!boundary_named(""));
}

TEST_CASE("a depth under a straightedge gives the radius of the circle through its ends") {
  // Euclid III.35: the chord cuts the diameter so that d (2 R - d) = (c / 2)^2.
  struct Row {
    double depth_mm, chord_mm;
  };
  for (const Row& row : {Row{12, 500}, Row{0.5, 500}, Row{125, 500}, Row{3, 50}}) {
    CAPTURE(row.depth_mm);
    const auto bow = bow_from_depth(row.depth_mm, row.chord_mm);
    REQUIRE(bow);
    const double radius_mm = 1 / bow->curvature_per_mm;
    CHECK(std::abs(row.depth_mm * (2 * radius_mm - row.depth_mm) -
                   row.chord_mm * row.chord_mm / 4) < 1e-6);
    // A reading that is off by one standard uncertainty moves a shallow bow by as much.
    if (row.depth_mm < row.chord_mm / 100) {
      const auto off = bow_from_depth(row.depth_mm + 0.3, row.chord_mm);
      REQUIRE(off);
      const double moved = off->curvature_per_mm - bow->curvature_per_mm;
      CHECK(std::abs(moved - bow->sigma_per_mm) < 0.01 * bow->sigma_per_mm);
    }
  }
  const auto flat = bow_from_depth(0, 500);
  REQUIRE(flat);
  CHECK(flat->curvature_per_mm == 0);
  CHECK(flat->sigma_per_mm > 0);
}

TEST_CASE("no pane is bent like that") {
  CHECK(!bow_from_depth(126, 500));
  CHECK(!bow_from_depth(-1, 500));
  CHECK(!bow_from_depth(kNan, 500));
  CHECK(!bow_from_depth(1, 49));
  CHECK(!bow_from_depth(1, kNan));
  CHECK(!bow_from_radius(199));
  CHECK(!bow_from_radius(-1400));
  CHECK(!bow_from_radius(kNan));
  CHECK(bow_from_radius(200));
}

TEST_CASE("what is out of bounds is refused by name whoever asks, and the bounds are not") {
  struct Row {
    Options options;
    const char* says;  ///< nothing: it is taken
  };
  const Row rows[] = {
      {{}, nullptr},
      {with([](Options& o) { o.glass_thickness_mm = 30; }), nullptr},
      {with([](Options& o) { o.glass_thickness_mm = 30.1; }), "glass thickness"},
      {with([](Options& o) { o.glass_thickness_mm = 0; }), "glass thickness"},
      {with([](Options& o) { o.glass_thickness_mm = kNan; }), "glass thickness"},
      {with([](Options& o) { o.card_thickness_mm = 0; }), nullptr},
      {with([](Options& o) { o.card_thickness_mm = 20.5; }), "card thickness"},
      {with([](Options& o) { o.card_thickness_mm = kNan; }), "card thickness"},
      {with([](Options& o) { o.printed_bar_mm = 97; }), nullptr},
      {with([](Options& o) { o.printed_bar_mm = 103; }), nullptr},
      {with([](Options& o) { o.printed_bar_mm = 96.9; }), "check bar"},
      {with([](Options& o) { o.printed_bar_mm = kNan; }), "check bar"},
  };
  for (const Row& row : rows) {
    const auto error = check(row.options);
    CAPTURE(error ? error->detail : std::string("taken"));
    REQUIRE(error.has_value() == (row.says != nullptr));
    if (!error) continue;
    CHECK(error->code == Code::bad_usage);
    CHECK(error->detail.find(row.says) != std::string::npos);
  }
}

}  // namespace panecard::measure
