#include "quality/quality.h"

#include <doctest/doctest.h>

#include <Eigen/Geometry>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "support/render.h"

using namespace panecard;
using namespace panecard::quality;

namespace {

/// A pane whose camera, outline and blur are known; nothing shades its edge.
struct Shot {
  support::Scene scene;
  photo::Photo photo;
  card::Plane plane;
  std::vector<card::DetectedCard> cards{1};
  Contour contour;

  explicit Shot(double blur_px, double tilt_deg = 12, float cabin = 0.3F) {
    scene.vertices = {{{0, 0}, 40, 0}, {{380, 0}, 45, 4}, {{370, 280}, 60, 3}, {{30, 270}, 40, 5}};
    scene.camera = support::look_at({190, 140}, 700, tilt_deg, 40, 3, 1344);
    scene.cabin = {cabin, cabin, cabin};
    scene.contact_shadow = 0;
    scene.blur_px = blur_px;
    photo = support::render(scene);
    const Eigen::AngleAxisd turn(scene.camera.rotation);
    plane.value.head<3>() = turn.angle() * turn.axis();
    plane.value.segment<3>(3) = -scene.camera.rotation * scene.camera.position;
    plane.value.segment<photo::kLensSize>(card::kLensOffset) = support::lens_vector(scene.camera);
    contour.points = resample(support::truth_of(scene).outline_mm, 1);
    for (const PointMm p : contour.points) {
      contour.points_px.push_back(support::project(scene.camera, p));
    }
    for (const PointMm p : {PointMm{150, 170}, {235, 170}, {235, 116}, {150, 116}}) {
      cards[0].body_px.push_back(support::project(scene.camera, p));
    }
  }
  PhotoQuality assess() const { return quality::assess_photo(photo, plane, cards, contour); }
};

outline::Outline with_parts(double edge, double corner, double lens) {
  outline::Outline o;
  o.sources = {ErrorSource::edge_noise, ErrorSource::corner_noise, ErrorSource::lens};
  o.long_mm = {500, std::sqrt(edge * edge + corner * corner + lens * lens)};
  o.long_mm.parts = {edge, corner, lens};
  return o;
}

const model::QualityFigure& named(const std::vector<model::QualityFigure>& figures,
                                  const std::string& name) {
  for (const model::QualityFigure& n : figures) {
    if (n.name == name) return n;
  }
  FAIL("no such figure");
  return figures.front();
}

}  // namespace

TEST_CASE("blur is measured as the renderer drew it") {
  for (const double blur_px : {0.7, 1.0, 1.5, 2.0, 3.0}) {
    CAPTURE(blur_px);
    const PhotoQuality quality = Shot(blur_px).assess();
    CAPTURE(quality.blur_px);
    // Steps of the search are 19 %, and the tone curve moves the rest.
    CHECK(std::abs(quality.blur_px - blur_px) <= 0.2 * blur_px);
  }
}

TEST_CASE("contrast, tilt and card size are those of the scene") {
  const PhotoQuality bright = Shot(0.7, 12, 0.4F).assess(), dark = Shot(0.7, 12, 0.1F).assess();
  CHECK(bright.contrast > 1.5 * dark.contrast);
  for (const double tilt_deg : {0.0, 12.0, 35.0}) {
    CAPTURE(tilt_deg);
    const Shot shot(0.7, tilt_deg);
    // The camera looks at the middle of the corners, the outline's own middle is a few mm away.
    CHECK(std::abs(shot.assess().tilt_deg - tilt_deg) <= 1);
    const PointPx a = shot.cards[0].body_px[0], b = shot.cards[0].body_px[1];
    CHECK(std::abs(shot.assess().card_px - std::hypot(a.x - b.x, a.y - b.y)) <= 1e-9);
  }
}

TEST_CASE("glare is counted where it lies: beside the boundary or on the card") {
  Shot shot(0.7);
  const PhotoQuality clean = shot.assess();
  CHECK(clean.glare_share < 0.01);
  CHECK(clean.card_glare_share < 0.01);
  // All that lies left of the middle is burnt out.
  const int middle = static_cast<int>(support::project(shot.scene.camera, {190, 140}).x);
  cv::Mat(shot.photo.bgr, cv::Rect(0, 0, middle, shot.photo.bgr.rows)) = cv::Scalar::all(255);
  double left = 0;
  for (const PointPx p : shot.contour.points_px) left += p.x < middle ? 1 : 0;
  left /= static_cast<double>(shot.contour.points_px.size());
  const PhotoQuality burnt = shot.assess();
  CHECK(std::abs(burnt.glare_share - left) <= 0.02);
  CHECK(burnt.card_glare_share > 0.4);
  CHECK(burnt.card_glare_share < 0.6);
}

TEST_CASE("each figure's cost follows from the parts of the uncertainty, by hand") {
  const outline::Outline o = with_parts(3, 0, 4);  // 3-4-5
  PhotoQuality quality;
  quality.blur_px = 2.8;  // four times 0.7: half the noise
  quality.tilt_deg = 60;
  quality.distance_ratio = 2;
  const std::vector<model::QualityFigure> all = figures(quality, o);
  const double half = std::sqrt(1.5 * 1.5 + 4 * 4);
  for (const char* name : {"blur", "tilt", "room around the pane"}) {
    CAPTURE(name);
    CHECK(std::abs(named(all, name).long_u95_mm - half) <= 1e-9);
  }
  CHECK(named(all, "glare on cards").long_u95_mm == doctest::Approx(5));
  CHECK(findings(all, o).size() == 3);
  // Where the lens is all that counts, no photo of this phone is to blame.
  CHECK(findings(figures(quality, with_parts(0.3, 0.3, 5)), with_parts(0.3, 0.3, 5)).empty());
}

TEST_CASE("empty input gives figures that say nothing and no crash") {
  const PhotoQuality quality = quality::assess_photo({}, {}, {}, {});
  CHECK(quality.contrast == 0);
  CHECK(findings(figures(quality, {}), {}).empty());
}
