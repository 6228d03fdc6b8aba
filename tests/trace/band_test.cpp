#include "trace/band.h"

#include <doctest/doctest.h>

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "support/render.h"

namespace panecard::trace {
namespace {

card::Plane plane_of(const support::Camera& camera) {
  card::Plane plane;
  const Eigen::AngleAxisd turn(camera.rotation);
  plane.value.head<3>() = turn.angle() * turn.axis();
  plane.value.segment<3>(3) = -camera.rotation * camera.position;
  plane.value.segment<photo::kLensSize>(card::kLensOffset) = support::lens_vector(camera);
  return plane;
}

/// A pane 380 x 280 mm whose cabin is bright but, from the left to `dark_to_mm`, as dark as the
/// print.
support::Scene pane(std::optional<support::Band> band, double dark_to_mm) {
  support::Scene scene;
  scene.vertices = {{{0, 0}, 40, 0}, {{380, 0}, 45, 4}, {{370, 280}, 60, 3}, {{30, 270}, 40, 5}};
  scene.camera = support::look_at({190, 140}, 560, 12, 40, 3, 1344);
  scene.band = band;
  scene.cabin = {0.25F, 0.25F, 0.25F};
  scene.cabin_patches = {{-200, dark_to_mm, -200, 600, 40, {0.008F, 0.008F, 0.008F}}};
  scene.reflections = {{150, 260, -300, 700, 400, {0.06F, 0.05F, 0.05F}},
                       {-400, 800, 90, 160, 300, {0.03F, 0.04F, 0.05F}}};
  return scene;
}

double to_curve_mm(PointMm p, const PolygonMm& curve) {
  double least = 1e9;
  for (std::size_t i = 0; i < curve.size(); ++i) {
    const PointMm a = curve[i], ab = curve[(i + 1) % curve.size()] - a;
    const double t = std::clamp(dot(p - a, ab) / std::max(dot(ab, ab), 1e-12), 0.0, 1.0);
    least = std::min(least, distance(p, a + t * ab));
  }
  return least;
}

struct Shot {
  explicit Shot(const support::Scene& of)
      : scene(of), truth(support::truth_of(of)), photo(support::render(of)) {}
  support::Scene scene;
  support::Truth truth;
  photo::Photo photo;
};

Result<BandCurve> find(const Shot& shot, Boundary boundary, double thickness_mm = 4) {
  Options options;
  options.boundary = boundary;
  options.glass_thickness_mm = thickness_mm;
  return find_band(shot.photo, plane_of(shot.scene.camera), {}, shot.truth.outline_mm, options);
}

TEST_CASE("the solid edge and the dots' limit are found where they were drawn, glass and all") {
  const Shot shot(pane(support::Band{16, 3, 3.2}, -100));
  for (const Boundary boundary : {Boundary::solid, Boundary::dots}) {
    const Result<BandCurve> found = find(shot, boundary);
    REQUIRE_MESSAGE(found.ok(), (found.ok() ? std::string() : found.error().detail));
    const PolygonMm& drawn = boundary == Boundary::solid ? shot.truth.solid_mm : shot.truth.dots_mm;
    REQUIRE(found->points.size() > 500);
    CHECK(signed_area_mm2(found->points) > 0);
    int beyond = 0;
    for (std::size_t i = 0; i < found->points.size(); ++i) {
      const double off = to_curve_mm(found->points[i], drawn);
      if (off > 2 * std::hypot(found->sigma_mm[i], found->definition_sigma_mm)) ++beyond;
      CHECK(off <= 0.6);
    }
    CHECK(beyond <= static_cast<int>(found->points.size()) / 20);  // what 95 % means
  }
}

TEST_CASE("daylight on the print before a dark cabin turns its profile about, not its edge") {
  support::Scene scene = pane(support::Band{16, 3, 3.2}, -100);
  // Black nearly all round: the print is what is lit. A bright stretch at the right is the
  // contrary.
  scene.cabin = {0.0005F, 0.0005F, 0.0005F};
  scene.cabin_patches = {{330, 700, 60, 150, 40, {0.25F, 0.25F, 0.25F}}};
  scene.reflections.clear();
  scene.shot_noise = 2e-5, scene.read_noise = 5e-4;
  const Shot shot(scene);
  for (const Boundary boundary : {Boundary::solid, Boundary::dots}) {
    CAPTURE(static_cast<int>(boundary));
    const Result<BandCurve> found = find(shot, boundary);
    REQUIRE_MESSAGE(found.ok(), (found.ok() ? std::string() : found.error().detail));
    const PolygonMm& drawn = boundary == Boundary::solid ? shot.truth.solid_mm : shot.truth.dots_mm;
    std::vector<double> off;
    for (const PointMm p : found->points) off.push_back(to_curve_mm(p, drawn));
    std::nth_element(off.begin(), off.begin() + static_cast<std::ptrdiff_t>(off.size() / 2),
                     off.end());
    CHECK(off[off.size() / 2] <= 0.35);
  }
}

TEST_CASE("where the cabin is dark the band is bridged, said to be so and less certain") {
  const Shot shot(pane(support::Band{16, 3, 3.2}, 60));
  const Result<BandCurve> found = find(shot, Boundary::solid);
  REQUIRE(found.ok());
  std::size_t hidden = 0;
  for (std::size_t i = 0; i < found->points.size(); ++i) {
    const PointMm p = found->points[i];
    if (p.x < 30 && p.y > 80 && p.y < 200) {
      ++hidden;
      CHECK_FALSE(found->seen[i]);
      CHECK(found->sigma_mm[i] > 0.1);
    }
    CHECK(to_curve_mm(p, shot.truth.solid_mm) <= 0.6);
  }
  CHECK(hidden > 80);
  REQUIRE(found->findings.size() == 1);
  CHECK(found->findings[0].code == "band_bridged");
}

struct Refusal {
  const char* why;
  std::optional<support::Band> band;
  double dark_to_mm;
  bool solid_found;
};

const Refusal kRefusals[] = {
    {"no band is printed", std::nullopt, -100, false},
    {"the band has no dots", support::Band{16, 0, 3}, -100, true},
    {"the cabin is dark nearly all round", support::Band{16, 3, 3.2}, 330, false},
};

TEST_CASE("a band that is not there, or hardly seen, is refused and not invented") {
  for (const Refusal& row : kRefusals) {
    CAPTURE(std::string(row.why));
    const Shot shot(pane(row.band, row.dark_to_mm));
    CHECK(find(shot, Boundary::solid).ok() == row.solid_found);
    const Result<BandCurve> dots = find(shot, Boundary::dots);
    CHECK_FALSE(dots.ok());
    if (dots.ok()) continue;
    CHECK(dots.error().code == Code::boundary_not_seen);
    CHECK(dots.error().detail.find("behind the glass") != std::string::npos);
  }
}

TEST_CASE("the thickness derivative is what another thickness does to the curve") {
  const Shot shot(pane(support::Band{16, 0, 3}, -100));
  const Result<BandCurve> thin = find(shot, Boundary::solid, 3);
  const Result<BandCurve> thick = find(shot, Boundary::solid, 6);
  REQUIRE(thin.ok());
  REQUIRE(thick.ok());
  double moved = 0;
  for (std::size_t i = 0; i < thin->points.size(); ++i) {
    if (!thin->seen[i]) continue;
    const PointMm predicted = thin->points[i] + 3 * thin->per_mm_thickness[i];
    CHECK(to_curve_mm(predicted, thick->points) <= 0.2);
    moved = std::max(moved, to_curve_mm(thin->points[i], thick->points));
  }
  CHECK(moved > 0.5);
}

TEST_CASE("a glass edge that is none is an error, not a crash") {
  const support::Scene scene = pane(std::nullopt, -100);
  photo::Photo photo;
  photo.bgr = cv::Mat::zeros(100, 100, CV_8UC3);
  photo.grey = cv::Mat::zeros(100, 100, CV_8U);
  const card::Plane plane = plane_of(scene.camera);
  const PolygonMm outline = support::truth_of(scene).outline_mm;
  Options options;
  options.boundary = Boundary::solid;
  CHECK_FALSE(find_band(photo, plane, {}, {}, options).ok());
  CHECK_FALSE(find_band(photo, plane, {}, PolygonMm(20, PointMm{1, 1}), options).ok());
  CHECK_FALSE(find_band(photo, plane, {}, outline, options).ok());  // all black
}

}  // namespace
}  // namespace panecard::trace
