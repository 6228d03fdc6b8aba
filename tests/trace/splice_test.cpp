#include "trace/splice.h"

#include <doctest/doctest.h>

#include <cmath>

#include "trace/polar.h"

namespace panecard::trace {
namespace {

constexpr double kInner_mm = 300, kWidth_mm = 10;

// A round pane: every stretch is as good as its evidence.
Around disc(double sure) {
  return {std::vector<double>(kRays, kInner_mm), std::vector<double>(kRays, kInner_mm + kWidth_mm),
          std::vector<double>(kRays, sure)};
}

// Led astray between two rays: further out, and with less evidence.
Around strayed(int from, int to, double out_mm, double sure) {
  Around a = disc(5);
  for (int ray = from; ray < to; ++ray) {
    a.inner_mm[ray] += out_mm;
    a.outer_mm[ray] += out_mm;
    a.sure[ray] = sure;
  }
  return a;
}

double furthest_mm(const Around& a) {
  double most = 0;
  for (const double r : a.inner_mm) most = std::max(most, std::abs(r - kInner_mm));
  return most;
}

TEST_CASE("seen_from: a curve that folds back keeps its distances elsewhere, wherever it folds") {
  for (int fold = 0; fold < 360; fold += 30) {
    CAPTURE(fold);
    Ribbon ribbon;
    for (const int part : {0, 1, 2}) {  // there, back over 4 degrees, and on
      const int from = part == 0 ? 0 : part == 1 ? fold + 4 : fold;
      const int to = part == 0 ? fold + 4 : part == 1 ? fold : 360;
      for (int deg = from; deg != to; deg += to > from ? 1 : -1) {
        const double a = deg * M_PI / 180;
        ribbon.curve.push_back(kInner_mm * PointMm{std::cos(a), std::sin(a)});
        ribbon.curve.back() = (1 + 0.2 * std::cos(a)) * ribbon.curve.back();
      }
    }
    const std::size_t n = ribbon.curve.size();
    ribbon.normals.assign(n, {});
    ribbon.inner_mm.assign(n, 0), ribbon.width_mm.assign(n, 0), ribbon.sure.assign(n, 1);
    const Around a = seen_from({}, ribbon);
    for (int ray = 0; ray < kRays; ++ray) {
      CHECK(a.inner_mm[ray] ==
            doctest::Approx(kInner_mm * (1 + 0.2 * std::cos(ray * kTurn))).epsilon(0.01));
    }
  }
}

TEST_CASE("Two ribbons that stray in different places make one that does not") {
  const Around left = strayed(600, 840, 9, 2), right = strayed(100, 300, 12, 3);
  const Around both = splice({}, {left, right});
  CHECK(furthest_mm(both) == 0);
  CHECK(plausibility({}, both) > plausibility({}, left));
  CHECK(plausibility({}, both) > plausibility({}, right));
}

TEST_CASE("A stretch across the first ray is spliced as any other") {
  Around astray = strayed(1400, kRays, 9, 2);
  const Around more = strayed(0, 60, 9, 2);
  for (int ray = 0; ray < 60; ++ray) {
    astray.inner_mm[ray] = more.inner_mm[ray];
    astray.outer_mm[ray] = more.outer_mm[ray];
    astray.sure[ray] = more.sure[ray];
  }
  CHECK(furthest_mm(splice({}, {astray, strayed(700, 800, 9, 2)})) == 0);
}

TEST_CASE("Of ribbons that are the same but for millimetres the first stays as it is") {
  const Around a = strayed(100, 300, 1.5, 4), b = disc(4.5);
  const Around out = splice({}, {a, b});
  const bool is_one_of_them = out.inner_mm == a.inner_mm || out.inner_mm == b.inner_mm;
  CHECK(is_one_of_them);
}

TEST_CASE("A notch costs what it takes of the convex hull") {
  Around notch = disc(5);
  for (int ray = 0; ray < 40; ++ray) notch.inner_mm[ray] -= 60;
  // The notch's area over the disc's: 40 of 1440 rays, (300^2 - 240^2) / 300^2 of each.
  const double missing = 40.0 / kRays * (1 - 240.0 * 240.0 / (300.0 * 300.0));
  CHECK(std::abs(plausibility({}, notch) - (5 - 60 * missing)) < 0.05);
}

TEST_CASE("A ribbon seen from the middle has its radii and evidence on the rays") {
  Ribbon ribbon;
  constexpr int kPoints = 500;
  const PointMm middle{40, -30};
  for (int i = 0; i < kPoints; ++i) {
    const double a = kTurn * kRays * i / kPoints;
    const PointMm u{std::cos(a), std::sin(a)};
    ribbon.curve.push_back(middle + 290.0 * u);
    ribbon.normals.push_back(u);
    ribbon.inner_mm.push_back(10);
    ribbon.width_mm.push_back(8);
    ribbon.sure.push_back(std::cos(a));
  }
  const Around around = seen_from(middle, ribbon);
  for (int ray = 0; ray < kRays; ray += 7) {
    CHECK(std::abs(around.inner_mm[ray] - 300) < 0.01);
    CHECK(std::abs(around.outer_mm[ray] - 308) < 0.01);
    CHECK(std::abs(around.sure[ray] - std::cos(ray * kTurn)) < 0.001);
  }
}

}  // namespace
}  // namespace panecard::trace
