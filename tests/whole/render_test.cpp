// The renderer is the yardstick of the tests beside it, so it is checked first, against OpenCV and
// against arithmetic that needs no renderer.
#include "support/render.h"

#include <doctest/doctest.h>

#include <cmath>
#include <opencv2/aruco.hpp>
#include <opencv2/calib3d.hpp>

#include "support/curve_match.h"

namespace panecard::support {
namespace {

/// How far from `at`, along `direction`, the picture passes half-way between its levels 5 px to
/// either side. NaN where there is no step to speak of.
double step_offset_px(const cv::Mat& grey, PointPx at, PointPx direction) {
  const auto level = [&](double t) {
    const double x = at.x + t * direction.x - 0.5, y = at.y + t * direction.y - 0.5;
    const int x0 = static_cast<int>(std::floor(x)), y0 = static_cast<int>(std::floor(y));
    const double u = x - x0, v = y - y0;
    return (1 - v) * ((1 - u) * grey.at<float>(y0, x0) + u * grey.at<float>(y0, x0 + 1)) +
           v * ((1 - u) * grey.at<float>(y0 + 1, x0) + u * grey.at<float>(y0 + 1, x0 + 1));
  };
  const double low = level(-5), high = level(5), half = (low + high) / 2;
  if (std::abs(high - low) < 20) return std::nan("");
  for (double t = -4; t < 4; t += 0.05) {
    const double a = level(t) - half, b = level(t + 0.05) - half;
    if (a * b <= 0 && a != b) return t + 0.05 * a / (a - b);
  }
  return std::nan("");
}

/// Undoes sRGB's transfer curve (IEC 61966-2-1): half-way in light is where the edge is.
cv::Mat linear(const cv::Mat& grey) {
  cv::Mat table(1, 256, CV_32F), out;
  for (int i = 0; i < 256; ++i) {
    const double s = i / 255.0;
    table.at<float>(i) =
        static_cast<float>(255 * (s <= 0.04045 ? s / 12.92 : std::pow((s + 0.055) / 1.055, 2.4)));
  }
  cv::LUT(grey, table, out);
  return out;
}

TEST_CASE("render: project() sees what cv::projectPoints sees") {
  Dice dice(11);
  for (int i = 0; i < 20; ++i) {
    Camera camera =
        look_at({dice.uniform(0, 800), dice.uniform(0, 500)}, dice.uniform(400, 1500),
                dice.uniform(0, 50), dice.uniform(0, 360), dice.uniform(-180, 180), 4032);
    camera.k1 = 0.05 * dice.normal();
    camera.k2 = 0.02 * dice.normal();
    const PointMm p = {dice.uniform(0, 800), dice.uniform(0, 500)};
    const double height = dice.uniform(-5, 5);
    const Eigen::Vector3d shift = -camera.rotation * camera.position;
    cv::Mat rotation(3, 3, CV_64F), vector;
    for (int k = 0; k < 9; ++k) rotation.at<double>(k / 3, k % 3) = camera.rotation(k / 3, k % 3);
    cv::Rodrigues(rotation, vector);
    const cv::Matx33d lens(camera.f_px, 0, camera.cx_px, 0, camera.f_px, camera.cy_px, 0, 0, 1);
    std::vector<cv::Point2d> seen;
    cv::projectPoints(std::vector<cv::Point3d>{{p.x, p.y, height}}, vector,
                      cv::Vec3d(shift.x(), shift.y(), shift.z()), lens,
                      cv::Vec4d(camera.k1, camera.k2, 0, 0), seen);
    const PointPx ours = project(camera, p, height);
    CHECK(std::hypot(ours.x - seen[0].x, ours.y - seen[0].y) <= 1e-6);
  }
}

TEST_CASE("render: the glass edge in the picture lies on the stated outline") {
  Wish wish;
  wish.cards = CardKind::plain;
  int steps = 0;
  for (const Family family : {Family::door, Family::quarter, Family::vent, Family::slider}) {
    wish.family = family;
    Scene scene = random_scene(3, wish);
    // One bright bead against dark glass, nothing else: a pure step.
    scene.cards.clear();
    scene.cabin_patches.clear();
    scene.reflections.clear();
    scene.contact_shadow = 0;
    scene.cabin = {0.02F, 0.02F, 0.02F};
    scene.seal = {0.3F, 0.3F, 0.3F};
    scene.seal_mm = 300;
    scene.shot_noise = scene.read_noise = 0;
    scene.exposure = 1;
    // Two of them bent: where the rays meet the glass is held against where its points are seen.
    if (family == Family::door || family == Family::vent) scene.bow_mm = 10;
    scene.bow_deg = family == Family::door ? 90 : 30;
    scene.bow_about = {200, 150};
    const cv::Mat grey = linear(render(scene).grey);
    const Truth truth = truth_of(scene);
    double sum = 0, sum_square = 0, along_x = 0, along_y = 0, n = 0;
    for (std::size_t i = 0; i < truth.outline_px.size(); i += 3) {
      const PointPx a = truth.outline_px[i];
      const PointPx b = truth.outline_px[(i + 1) % truth.outline_px.size()];
      const double length = std::hypot(b.x - a.x, b.y - a.y);
      const PointPx middle = {(a.x + b.x) / 2, (a.y + b.y) / 2};
      const PointPx normal = {-(b.y - a.y) / length, (b.x - a.x) / length};
      const double offset = step_offset_px(grey, middle, normal);
      if (std::isnan(offset)) continue;
      along_x += offset * normal.x;
      along_y += offset * normal.y;
      sum += offset;
      sum_square += offset * offset;
      n += 1;
    }
    CAPTURE(static_cast<int>(family));
    CHECK(n > 100);
    CHECK(std::abs(sum / n) <= 0.02);                 // the curve is not too wide
    CHECK(std::hypot(along_x, along_y) / n <= 0.01);  // nor shifted
    CHECK(std::sqrt(sum_square / n) <= 0.06);         // 8-bit levels, bilinear reading
    steps += static_cast<int>(n);
  }
  CHECK(steps > 400);
}

TEST_CASE("render: OpenCV's own ArUco detector finds every marker where truth puts it") {
  Wish wish;
  wish.family = Family::door;
  for (const CardKind kind : {CardKind::coded, CardKind::sheet_a4, CardKind::sheet_letter}) {
    wish.cards = kind;
    wish.width_px = 3024;
    Scene scene = random_scene(5, wish);
    for (SceneCard& card : scene.cards) {
      card.print_scale = kind == CardKind::sheet_a4 ? 1 : 1.003;
      card.print_aspect = kind == CardKind::sheet_a4 ? 0 : 0.01;
    }
    std::vector<std::vector<cv::Point2f>> corners;
    std::vector<int> ids;
    cv::aruco::detectMarkers(render(scene).bgr,
                             cv::aruco::getPredefinedDictionary(cv::aruco::DICT_5X5_1000), corners,
                             ids);
    const bool coded = kind == CardKind::coded;
    CHECK(ids.size() == (coded ? 7 * scene.cards.size() : 31));
    const int columns = coded ? 5 : 7, rows = coded ? 3 : 9;
    const double square = coded ? 16 : 26, marker = coded ? 12 : 19.5;
    PointPx sum;
    for (std::size_t i = 0; i < ids.size(); ++i) {
      const SceneCard& card = scene.cards[coded ? static_cast<std::size_t>(ids[i] - 64) / 8 : 0];
      // White squares are every second one, the first in column 1 of row 0.
      const int index = 2 * (coded ? (ids[i] - 64) % 8 : ids[i]) + 1;
      const double u = (index % columns + 0.5 - columns / 2.0) * square;
      const double v = (rows / 2.0 - (index / columns + 0.5)) * square;
      const double turn = card.turn_deg * 3.14159265358979 / 180;
      const double c = std::cos(turn), s = std::sin(turn);
      for (std::size_t k = 0; k < 4; ++k) {  // from the marker's top left, clockwise
        const double across = card.print_scale * (1 - card.print_aspect / 2);
        const double upright = card.print_scale * (1 + card.print_aspect / 2);
        const double x = across * (u + (k == 0 || k == 3 ? -1 : 1) * marker / 2);
        const double y = upright * (v + (k < 2 ? 1 : -1) * marker / 2);
        const PointMm at = card.centre + PointMm{c * x - s * y, s * x + c * y};
        const PointPx want = project(scene.camera, at, card.thickness_mm);
        const PointPx miss = {corners[i][k].x + 0.5 - want.x, corners[i][k].y + 0.5 - want.y};
        CAPTURE(ids[i]);
        CHECK(std::hypot(miss.x, miss.y) <= 2.5);  // points of a pixel contour, not refined
        sum = {sum.x + miss.x, sum.y + miss.y};
      }
    }
    const double n = 4.0 * static_cast<double>(ids.size());
    // Whole-pixel scatter of each corner, averaged over 56 of them and more.
    CHECK(std::hypot(sum.x, sum.y) / n <= 0.08);
  }
}

TEST_CASE("render: the same seed gives the same bits on any number of threads") {
  Wish wish;
  wish.width_px = 800;
  wish.bands = true;
  const Scene scene = random_scene(21, wish);
  const int before = cv::getNumThreads();
  cv::setNumThreads(1);
  const cv::Mat one = render(scene).bgr;
  cv::setNumThreads(3);
  const cv::Mat three = render(scene).bgr;
  cv::setNumThreads(before);
  CHECK(cv::norm(one, three, cv::NORM_INF) == 0);
  Scene other = scene;
  ++other.seed;
  CHECK(cv::norm(one, render(other).bgr, cv::NORM_INF) > 0);
}

TEST_CASE("render: a pane's perimeter and area agree with hand arithmetic") {
  // 400 x 300 with corners of radius 20: the square corners lose (4 - pi) r^2 and (8 - 2 pi) r.
  const PaneShape shape({{{0, 0}, 20}, {{400, 0}, 20}, {{400, 300}, 20}, {{0, 300}, 20}});
  const double pi = 3.14159265358979;
  CHECK(std::abs(shape.perimeter_mm() - (1400 - (8 - 2 * pi) * 20)) <= 1e-6);
  const double area = signed_area_mm2(shape.polygon(0, 1e-4));
  CHECK(std::abs(area - (120000 - (4 - pi) * 400)) <= 0.1);
  CHECK(std::abs(shape.place({200, -7}).distance_mm - 7) <= 1e-9);
  CHECK(std::abs(shape.place({3, 3}).distance_mm - (17 * std::sqrt(2.0) - 20)) <= 1e-9);
}

TEST_CASE("match_curves: undoes a turn and a shift, and sees a scale error") {
  Dice dice(2);
  const PolygonMm truth = PaneShape(random_vertices(Family::door, dice)).polygon();
  for (const double scale : {1.0, 1.01}) {
    PolygonMm moved;
    for (const PointMm& p : truth) {
      const double c = std::cos(2.3), s = std::sin(2.3);
      moved.push_back({scale * (c * p.x - s * p.y) + 500, scale * (s * p.x + c * p.y) - 80});
    }
    const CurveMatch match = match_curves(moved, truth);
    CAPTURE(scale);
    CHECK((scale == 1.0 ? match.max_mm <= 0.05 : match.median_mm >= 1));
  }
}

}  // namespace
}  // namespace panecard::support
