// The glass edge on rendered panes whose outline is exact (tests/support/render.h).
#include "trace/trace.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "support/curve_match.h"
#include "trace/edge.h"
#include "trace/findings.h"
#include "trace/rectangle.h"
#include "trace/rendered.h"
#include "trace/ribbon.h"
#include "trace/ring.h"

namespace panecard::trace {
namespace {

TEST_CASE("trace: the contour lies on a rendered pane's edge all the way round") {
  for (const std::uint64_t seed : {1010U, 1013U, 1028U}) {
    CAPTURE(seed);
    const Rendered seen = rendered(seed);
    const auto traced = trace(seen.photo, seen.plane, seen.cards, {});
    CHECK(traced.ok());
    if (!traced.ok()) continue;
    const Contour& contour = traced->contour;
    CHECK(signed_area_mm2(contour.points) > 0);
    CHECK(contour.points.size() == contour.points_px.size());
    CHECK(contour.points.size() == contour.sigma_mm.size());
    CHECK(contour.modes.size() == contour.mode_sources.size());
    // A pixel of these small photos is 0.6 mm.
    const support::CurveMatch match = support::match_curves(contour.points, seen.truth_mm);
    CHECK(match.median_mm <= 0.15);
    CHECK(match.p95_mm <= 0.6);
    CHECK(match.max_mm <= 2);  // README.md's furthest point of a visible glass edge
  }
}

TEST_CASE("trace: a crease below the pane and a pillar beside it are left for the seal") {
  // The shortest strong way round this pane takes both; neither has a seal's colour.
  const Rendered seen = rendered(5188);
  const auto traced = trace(seen.photo, seen.plane, seen.cards, {});
  REQUIRE(traced.ok());
  const support::CurveMatch match = support::match_curves(traced->contour.points, seen.truth_mm);
  CHECK(match.median_mm <= 0.3);
  CHECK(match.p95_mm <= 1);
}

TEST_CASE("trace: a corner of a right angle is said to be odd when its radius is a few mm only") {
  // 75 deg over 8 mm of the way are a radius of 6.1 mm; panes have 8 mm and more.
  struct {
    double radius_mm;
    bool odd;
  } const rows[] = {{1, true}, {3, true}, {6, true}, {12, false}, {40, false}};
  for (const auto& row : rows) {
    CAPTURE(row.radius_mm);
    Edge edge;
    edge.points = rounded_rectangle(250, 180, row.radius_mm, 1);
    Ribbon ribbon;
    ribbon.score = 10;  // a clear one
    std::vector<Finding> findings;
    report_doubts(ribbon, edge, findings);
    CHECK(findings.size() == (row.odd ? 1 : 0));
    for (const Finding& f : findings) {
      CHECK(f.code == "odd_shape");
      CHECK(f.text.find("sharp corner") != std::string::npos);
    }
  }
}

TEST_CASE("trace: a pane that a straight reflection cuts short is measured, and doubted") {
  // A dark rectangle crosses this pane from edge to edge below its top corner. Once it was measured
  // 65 mm short without a word; a KNOWN GAP is that its outline is still 11 mm off at the 95th
  // percentile. What must hold is the warning, until the outline is right.
  const Rendered seen = rendered(6135);
  const auto traced = trace(seen.photo, seen.plane, seen.cards, {});
  REQUIRE(traced.ok());
  const support::CurveMatch match = support::match_curves(traced->contour.points, seen.truth_mm);
  const bool doubted = std::any_of(traced->findings.begin(), traced->findings.end(),
                                   [](const Finding& f) { return f.code == "odd_shape"; });
  CHECK((match.p95_mm <= 1 || doubted));
}

TEST_CASE("trace: where the change is softer than the photo's blur the edge is as uncertain") {
  // Half of the photo out of focus by a known Gaussian: the sharp half shows what the photo's is.
  Rendered seen = rendered(1010);
  const PointPx middle{seen.photo.bgr.cols / 2.0, seen.photo.bgr.rows / 2.0};
  constexpr double kBlur_px = 1.5;
  const auto from = static_cast<int>(middle.x);
  cv::Mat right =
      seen.photo.bgr(cv::Rect(from, 0, seen.photo.bgr.cols - from, seen.photo.bgr.rows));
  cv::GaussianBlur(right.clone(), right, {}, kBlur_px);
  const auto traced = trace(seen.photo, seen.plane, seen.cards, {});
  REQUIRE(traced.ok());
  const Contour& contour = traced->contour;
  const PolygonMm normals = outward_normals(contour.points);
  const double blur_mm =
      kBlur_px * distance(card::mm_from_px(seen.plane, middle),
                          card::mm_from_px(seen.plane, {middle.x + 1, middle.y}));
  double sharp = 0, soft = 0;
  int sharp_count = 0, soft_count = 0;
  for (std::size_t i = 0; i < contour.points.size(); ++i) {
    double variance = 0;
    for (std::size_t m = 0; m < contour.modes.size(); ++m) {
      if (contour.mode_sources[m] != ErrorSource::edge_definition) continue;
      variance += std::pow(dot(contour.modes[m][i], normals[i]), 2);
    }
    const double x = contour.points_px[i].x - middle.x;
    if (!contour.seen[i] || std::abs(x) < 60) continue;
    (x > 0 ? soft : sharp) += std::sqrt(variance);
    ++(x > 0 ? soft_count : sharp_count);
  }
  REQUIRE(sharp_count > 100);
  REQUIRE(soft_count > 100);
  CAPTURE(blur_mm);
  CHECK(sharp / sharp_count < 0.25);
  CHECK(soft / soft_count > 0.8 * blur_mm);
  CHECK(soft / soft_count < 2 * blur_mm);
}

TEST_CASE("trace: modes hold no common shift and no turn, which are no error of shape") {
  const Rendered seen = rendered(1010);
  const auto traced = trace(seen.photo, seen.plane, seen.cards, {});
  REQUIRE(traced.ok());
  const Contour& contour = traced->contour;
  CHECK(contour.modes.size() >= 8);
  const double each = 1.0 / static_cast<double>(contour.points.size());
  PointMm middle{};
  for (const PointMm& p : contour.points) middle = middle + each * p;
  for (const PolygonMm& mode : contour.modes) {
    REQUIRE(mode.size() == contour.points.size());
    PointMm shift{};
    double moment = 0, inertia = 0;
    for (std::size_t i = 0; i < mode.size(); ++i) {
      const PointMm arm = contour.points[i] - middle;
      shift = shift + each * mode[i];
      moment += cross(arm, mode[i]);
      inertia += dot(arm, arm);
    }
    CHECK(norm(shift) <= 1e-6);
    CHECK(std::abs(moment / inertia) <= 1e-9);  // rad: a nanometre at the end of a metre
  }
}

TEST_CASE("trace: a photo without a pane around the card is refused") {
  Rendered seen = rendered(1010);
  seen.photo.bgr.setTo(cv::Scalar(120, 120, 120));
  cv::cvtColor(seen.photo.bgr, seen.photo.grey, cv::COLOR_BGR2GRAY);
  const auto traced = trace(seen.photo, seen.plane, seen.cards, {});
  REQUIRE_FALSE(traced.ok());
  CHECK(traced.error().code == Code::boundary_not_seen);
}

TEST_CASE("trace: a closed curve smoothed keeps a circle's centre and shrinks it by sigma^2 / 2r") {
  // Gaussian smoothing of a circle of radius r over arc length: r exp(-sigma^2 / 2 r^2).
  PolygonMm circle;
  for (int i = 0; i < 628; ++i)
    circle.push_back({100 * std::cos(i * 0.01), 100 * std::sin(i * 0.01)});
  const PolygonMm smooth = smooth_closed(resample(circle, 1.0), 10);
  for (const PointMm& p : smooth) CHECK(std::abs(norm(p) - 100 * std::exp(-0.005)) <= 0.02);
}

}  // namespace
}  // namespace panecard::trace
