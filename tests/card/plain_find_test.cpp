// Plain cards in drawn scenes of known truth: sharp in light, blurred, encoded, noisy, clipped.
#include <doctest/doctest.h>

#include <Eigen/Geometry>
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "card/plain.h"
#include "support/render.h"

namespace panecard::test {
namespace {

using Light = std::array<double, 3>;  ///< linear, blue green red; 1 is the sensor's limit

/// A rounded rectangle on the pane, drawn in order.
struct Shape {
  double x_mm = 0, y_mm = 0, width_mm = 85.60, height_mm = 53.98, radius_mm = 3.18, turn_deg = 0;
  Light light = {0.3, 0.3, 0.3};
};

struct PlainScene {
  std::vector<Shape> shapes;  ///< the first is the card
  Light background = {0.02, 0.02, 0.02};
  Light beyond = {0.02, 0.02, 0.02};  ///< right of the line x = beyond_x_mm (a reflection's edge)
  double beyond_x_mm = 1e9;
  double tilt_deg = 0, azimuth_deg = 0, roll_deg = 0, distance_mm = 500;
  double blur_px = 0.8, noise = 2;  ///< noise: standard deviation in codes of 255
};

struct PlainPicture {
  photo::Photo photo;
  std::array<PointPx, 4> corner;  ///< of the first shape, as if sharp, from top left on, clockwise
};

/// Distance outside a rounded rectangle, mm.
double outside_mm(const Shape& s, PointMm p) {
  const double turn = s.turn_deg * std::numbers::pi / 180;
  const double dx = p.x - s.x_mm, dy = p.y - s.y_mm;
  const double u = std::abs(std::cos(turn) * dx + std::sin(turn) * dy);
  const double v = std::abs(-std::sin(turn) * dx + std::cos(turn) * dy);
  const double qx = u - s.width_mm / 2 + s.radius_mm, qy = v - s.height_mm / 2 + s.radius_mm;
  return std::hypot(std::max(qx, 0.0), std::max(qy, 0.0)) + std::min(std::max(qx, qy), 0.0) -
         s.radius_mm;
}

Light light_at(const PlainScene& scene, PointMm p) {
  Light light = p.x > scene.beyond_x_mm ? scene.beyond : scene.background;
  for (const Shape& shape : scene.shapes) {
    if (outside_mm(shape, p) < 0) light = shape.light;
  }
  return light;
}

double code_of_light(double v) {  // IEC 61966-2-1
  v = std::clamp(v, 0.0, 1.0);
  return 255 * (v <= 0.0031308 ? 12.92 * v : 1.055 * std::pow(v, 1 / 2.4) - 0.055);
}

support::Camera camera_of(const PlainScene& scene) {
  support::Camera camera = support::look_at({0, 0}, scene.distance_mm, scene.tilt_deg,
                                            scene.azimuth_deg, scene.roll_deg, 1344);
  return camera;
}

PlainPicture draw(const PlainScene& scene) {
  const support::Camera camera = camera_of(scene);
  // Where a camera ray meets the pane is a homography: from its inverse on four points.
  std::vector<cv::Point2d> mm = {{-100, -100}, {100, -100}, {100, 100}, {-100, 100}}, px;
  for (const cv::Point2d& p : mm) {
    const PointPx seen = support::project(camera, {p.x, p.y});
    px.emplace_back(seen.x, seen.y);
  }
  std::vector<cv::Point2f> from, to;
  for (int i = 0; i < 4; ++i) {
    from.emplace_back(cv::Point2f(px[i]));
    to.emplace_back(cv::Point2f(mm[i]));
  }
  const cv::Mat h = cv::getPerspectiveTransform(from, to);
  const auto mm_at = [&](double x, double y) {
    const double* m = h.ptr<double>();
    const double w = m[6] * x + m[7] * y + m[8];
    return PointMm{(m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w};
  };
  cv::Mat_<cv::Vec3f> light(camera.height_px, camera.width_px);
  constexpr int kSub = 6;
  for (int y = 0; y < light.rows; ++y) {
    for (int x = 0; x < light.cols; ++x) {
      // Sub-sampling only where the corners of the pixel's surroundings differ.
      const Light centre = light_at(scene, mm_at(x + 0.5, y + 0.5));
      bool mixed = false;
      for (const auto& [dx, dy] : {std::pair{0, 0}, {1, 0}, {0, 1}, {1, 1}}) {
        mixed = mixed || light_at(scene, mm_at(x + dx, y + dy)) != centre;
      }
      cv::Vec3f sum(0, 0, 0);
      const int n = mixed ? kSub : 1;
      for (int i = 0; i < n * n; ++i) {
        const Light at = light_at(scene, mm_at(x + (i % n + 0.5) / n, y + (i / n + 0.5) / n));
        for (int c = 0; c < 3; ++c) sum[c] += static_cast<float>(at[c]);
      }
      light(y, x) = sum / static_cast<float>(n * n);
    }
  }
  cv::GaussianBlur(light, light, {}, scene.blur_px);
  PlainPicture picture;
  picture.photo.bgr.create(light.size(), CV_8UC3);
  support::Dice dice(7);
  for (int y = 0; y < light.rows; ++y) {
    for (int x = 0; x < light.cols; ++x) {
      for (int c = 0; c < 3; ++c) {
        const double code = code_of_light(light(y, x)[c]) + scene.noise * dice.normal();
        picture.photo.bgr.at<cv::Vec3b>(y, x)[c] = cv::saturate_cast<uchar>(std::lround(code));
      }
    }
  }
  cv::cvtColor(picture.photo.bgr, picture.photo.grey, cv::COLOR_BGR2GRAY);
  // CIPA DCG-001: the 35 mm equivalent compares diagonals, 43.27 mm.
  picture.photo.exif.focal_35mm =
      camera.f_px * 43.2666 / std::hypot(camera.width_px, camera.height_px);
  const Shape& card = scene.shapes.front();
  const double turn = card.turn_deg * std::numbers::pi / 180;
  for (int i = 0; i < 4; ++i) {
    const double u = (i == 1 || i == 2 ? 0.5 : -0.5) * card.width_mm;
    const double v = (i < 2 ? 0.5 : -0.5) * card.height_mm;
    picture.corner[i] =
        support::project(camera, {card.x_mm + std::cos(turn) * u - std::sin(turn) * v,
                                  card.y_mm + std::sin(turn) * u + std::cos(turn) * v});
  }
  return picture;
}

double furthest_corner_px(const card::DetectedCard& s, const PlainPicture& truth) {
  double least = 1e9;
  for (int turn = 0; turn < 4; ++turn) {
    double worst = 0;
    for (int i = 0; i < 4; ++i) {
      const PointPx p = s.body_px[(i + turn) % 4], q = truth.corner[i];
      worst = std::max(worst, std::hypot(p.x - q.x, p.y - q.y));
    }
    least = std::min(least, worst);
  }
  return least;
}

/// Mean distance of an edge's samples outside the true line, px.
double outward_px(const card::Edge& edge, const PlainPicture& truth) {
  double least = 1e9;
  for (int i = 0; i < 4; ++i) {
    const PointPx a = truth.corner[i], b = truth.corner[(i + 1) % 4];
    const double length = std::hypot(b.x - a.x, b.y - a.y);
    double sum = 0;
    for (const PointPx& p : edge.seen) {
      sum += ((p.x - a.x) * (b.y - a.y) - (p.y - a.y) * (b.x - a.x)) / length;
    }
    const double mean = sum / static_cast<double>(edge.seen.size());
    if (std::abs(mean) < std::abs(least)) least = mean;
  }
  return least;
}

const Light kDark = {0.02, 0.02, 0.02}, kGrey = {0.2, 0.18, 0.17};

PlainScene card_scene(Light card, Light background) {
  PlainScene scene;
  scene.shapes = {Shape{.light = card}};
  scene.background = scene.beyond = background;
  return scene;
}

card::PlainSize size_of(const std::string& text) { return card::plain_size(text).value(); }

}  // namespace

TEST_CASE("plain_size knows the standards' sizes and refuses what is none") {
  struct Row {
    const char* source;
    const char* text;
    double width_mm, height_mm, radius_mm;
  };
  constexpr Row kRows[] = {
      {"ISO/IEC 7810 ID-1", "id1", 85.60, 53.98, 3.18},
      {"ISO 216 A4", "a4", 210, 297, 0},
      {"ANSI/ASME Y14.1 A", "letter", 215.9, 279.4, 0},
      {"ISO 216 A5, typed", "148x210", 148, 210, 0},
  };
  for (const Row& row : kRows) {
    CAPTURE(row.source);
    const auto size = card::plain_size(row.text);
    CHECK(size.ok());
    if (!size.ok()) continue;
    CHECK(size->width_mm == row.width_mm);
    CHECK(size->height_mm == row.height_mm);
    CHECK(size->corner_radius_mm == row.radius_mm);
  }
  for (const char* text :
       {"", "x", "10x", "x20", "0x0", "nanx50", "85.6x53.98mm", "-85x54", "1e9x1e9"}) {
    CAPTURE(text);
    const auto size = card::plain_size(text);
    CHECK(!size.ok());
    if (!size.ok()) CHECK(size.error().code == Code::bad_usage);
  }
}

TEST_CASE("a plain card is found where the scene has it, within a third of a pixel") {
  struct Row {
    std::string name;
    PlainScene scene;
    double outward_tolerance_px;
  };
  std::vector<Row> rows;
  rows.push_back({"white on dark", card_scene({0.7, 0.7, 0.7}, kDark), 0.05});
  rows.push_back({"over-exposed white on dark", card_scene({1.5, 1.5, 1.5}, kDark), 0.2});
  rows.push_back({"blue on grey", card_scene({0.3, 0.07, 0.02}, {0.12, 0.1, 0.085}), 0.05});
  rows.push_back({"dark on dark", card_scene({0.035, 0.03, 0.03}, {0.02, 0.02, 0.02}), 0.1});
  PlainScene tilted = card_scene({0.5, 0.5, 0.45}, kDark);
  tilted.tilt_deg = 35;
  tilted.azimuth_deg = 30;
  tilted.shapes[0].turn_deg = 50;
  rows.push_back({"tilted 35 deg and turned 50 deg", tilted, 0.05});
  PlainScene crossed = card_scene({0.25, 0.1, 0.1}, kDark);
  crossed.beyond = {0.6, 0.6, 0.6};
  crossed.beyond_x_mm = 5;
  rows.push_back({"across a reflection's edge, darker than one side", crossed, 0.05});
  PlainScene printed = card_scene({0.05, 0.3, 0.4}, kGrey);
  printed.shapes.push_back({.width_mm = 79, .height_mm = 47, .radius_mm = 2, .light = kDark});
  rows.push_back({"with a dark printed frame 3 mm inside", printed, 0.05});
  for (const Row& row : rows) {
    CAPTURE(row.name);
    const PlainPicture picture = draw(row.scene);
    const auto found = card::detect_plain_cards(picture.photo, size_of("id1"));
    CHECK(found.size() == 1);
    if (found.size() != 1) continue;
    const double limit = row.outward_tolerance_px + 0.25;
    CHECK(furthest_corner_px(found[0], picture) <= limit);
    CHECK(found[0].edges.size() == 4);
    for (const card::Edge& edge : found[0].edges) {
      CHECK(std::abs(outward_px(edge, picture)) <= row.outward_tolerance_px);
      CHECK(edge.sigma_px <= 0.25);
      const double length = distance(edge.a, edge.b);
      CHECK(std::min(std::abs(length - 85.60), std::abs(length - 53.98)) < 1e-9);
    }
  }
}

TEST_CASE("what is no card is not taken for one") {
  struct Row {
    std::string why;
    Shape shape;
  };
  const Row rows[] = {
      {"sharp corners: the arc of an ID-1 card cuts 1.317 mm off (ISO/IEC 7810)", {.radius_mm = 0}},
      {"corners three times too round", {.radius_mm = 9.5}},
      {"ID-3, 125 x 88 mm (ISO/IEC 7810)", {.width_mm = 125, .height_mm = 88}},
      {"ID-2, 105 x 74 mm (ISO/IEC 7810)", {.width_mm = 105, .height_mm = 74}},
      {"a square tile", {.width_mm = 60, .height_mm = 60}},
  };
  for (const Row& row : rows) {
    CAPTURE(row.why);
    PlainScene scene = card_scene({0.5, 0.5, 0.5}, kDark);
    const Light light = scene.shapes[0].light;
    scene.shapes[0] = row.shape;
    scene.shapes[0].light = light;
    CHECK(card::detect_plain_cards(draw(scene).photo, size_of("id1")).empty());
  }
}

TEST_CASE("a card is found among a pane's trim and a seat, and only the card") {
  PlainScene scene = card_scene({0.4, 0.15, 0.1}, kDark);
  scene.distance_mm = 620;
  scene.tilt_deg = 15;
  const Shape card = scene.shapes[0];
  scene.shapes = {card,
                  {.width_mm = 240, .height_mm = 170, .radius_mm = 14, .light = kGrey},
                  {.width_mm = 220, .height_mm = 150, .radius_mm = 8, .light = kDark},
                  {.x_mm = 70,
                   .y_mm = 30,
                   .width_mm = 50,
                   .height_mm = 60,
                   .radius_mm = 9,
                   .light = {0.06, 0.05, 0.04}},
                  card};
  const PlainPicture picture = draw(scene);
  const auto found = card::detect_plain_cards(picture.photo, size_of("id1"));
  CHECK(found.size() == 1);
  if (found.size() == 1) CHECK(furthest_corner_px(found[0], picture) <= 0.35);
}

TEST_CASE("a card is found that a dark stripe divides, and on a pane of a card's shape") {
  // A magnetic stripe runs from edge to edge (ISO/IEC 7811), on dark glass as dark as the glass.
  struct Row {
    const char* what;
    double turn_deg, tilt_deg, azimuth_deg;
    bool on_a_pane;
  };
  constexpr Row kRows[] = {
      {"stripe", 2, 12, 70, false},   {"stripe", -3, 15, 160, false}, {"stripe", 5, 10, 250, false},
      {"stripe", -6, 20, 20, false},  {"stripe", 1, 18, 300, false},  {"stripe", 3, 25, 200, false},
      {"on a pane", 4, 14, 60, true},
  };
  for (const Row& row : kRows) {
    CAPTURE(row.what);
    CAPTURE(row.turn_deg);
    PlainScene scene = card_scene({0.7, 0.7, 0.7}, kDark);
    scene.distance_mm = 700;
    scene.tilt_deg = row.tilt_deg;
    scene.azimuth_deg = row.azimuth_deg;
    const double turn = row.turn_deg * std::numbers::pi / 180;
    Shape& card = scene.shapes[0];
    card.turn_deg = row.turn_deg;
    const Shape stripe{.x_mm = 6.9 * std::sin(turn),
                       .y_mm = -6.9 * std::cos(turn),
                       .width_mm = 85.60,
                       .height_mm = 9.5,
                       .radius_mm = 0,
                       .turn_deg = row.turn_deg,
                       .light = {0.03, 0.03, 0.03}};
    // ISO/IEC 7810's proportions four times as large: its outline passes for a card seen from near.
    const Shape pane{.width_mm = 4 * 85.60,
                     .height_mm = 4 * 53.98,
                     .radius_mm = 4 * 3.18,
                     .light = {0.03, 0.03, 0.03}};
    if (row.on_a_pane) {
      scene.background = scene.beyond = kGrey;
      scene.shapes = {card, pane, card};
    } else {
      scene.shapes.push_back(stripe);
    }
    const PlainPicture picture = draw(scene);
    const auto found = card::detect_plain_cards(picture.photo, size_of("id1"));
    CHECK(found.size() == 1);
    if (found.size() == 1) CHECK(furthest_corner_px(found[0], picture) <= 0.35);
  }
}

TEST_CASE("blank A4 and Letter sheets are told apart (ISO 216, ANSI/ASME Y14.1)") {
  for (const std::string paper : {"a4", "letter"}) {
    const card::PlainSize size = size_of(paper);
    PlainScene scene;
    scene.shapes = {{.width_mm = size.width_mm,
                     .height_mm = size.height_mm,
                     .radius_mm = 0,
                     .turn_deg = 88,
                     .light = {0.6, 0.6, 0.6}}};
    scene.distance_mm = 700;
    scene.tilt_deg = 12;
    const PlainPicture picture = draw(scene);
    for (const std::string asked : {"a4", "letter"}) {
      CAPTURE(paper);
      CAPTURE(asked);
      const auto found = card::detect_plain_cards(picture.photo, size_of(asked));
      CHECK(found.size() == (asked == paper ? 1U : 0U));
      if (found.size() == 1) CHECK(furthest_corner_px(found[0], picture) <= 0.35);
    }
  }
}

TEST_CASE("blank paper fixes the plane whichever way round it lies") {
  struct Row {
    const char* paper;
    double turn_deg, tilt_deg, azimuth_deg;
  };
  // ISO 216 and ANSI/ASME Y14.1 sizes; the printed way up is upright, most panes ask for the other.
  constexpr Row kRows[] = {{"a4", 0, 15, 40},       {"a4", 90, 15, 40},
                           {"a4", 35, 20, 200},     {"letter", -90, 12, 80},
                           {"letter", 180, 25, 10}, {"148x210", 90, 15, 300}};
  for (const Row& row : kRows) {
    CAPTURE(row.paper);
    CAPTURE(row.turn_deg);
    const card::PlainSize size = size_of(row.paper);
    PlainScene scene;
    scene.shapes = {{.width_mm = size.width_mm,
                     .height_mm = size.height_mm,
                     .radius_mm = 0,
                     .turn_deg = row.turn_deg,
                     .light = {0.6, 0.6, 0.6}}};
    scene.distance_mm = 750;
    scene.tilt_deg = row.tilt_deg;
    scene.azimuth_deg = row.azimuth_deg;
    const PlainPicture picture = draw(scene);
    const auto found = card::detect_plain_cards(picture.photo, size);
    CHECK(found.size() == 1);
    if (found.size() != 1) continue;
    // body_px and the edges speak of the same corners, from the top left as printed.
    const double x = size.width_mm / 2, y = size.height_mm / 2;
    const std::array<PointMm, 4> on_body = {{{-x, y}, {x, y}, {x, -y}, {-x, -y}}};
    for (std::size_t i = 0; i < 4; ++i) {
      const card::Edge& edge = found[0].edges[i];
      CHECK(distance(edge.a, on_body[i]) < 1e-9);
      CHECK(distance(edge.b, on_body[(i + 1) % 4]) < 1e-9);
      const PointPx from = found[0].body_px[i], first = edge.seen.front();
      CHECK(std::hypot(first.x - from.x, first.y - from.y) < 30);
    }
    photo::Lens lens;
    lens.value = support::lens_vector(camera_of(scene));
    lens.width_px = picture.photo.bgr.cols;
    lens.height_px = picture.photo.bgr.rows;
    lens.calibrated = true;
    const auto plane = card::fit_plane(found, lens);
    CHECK(plane.ok());
    if (!plane.ok()) continue;
    const Eigen::Vector3d turn = plane->value.head<3>();
    const Eigen::AngleAxisd rotation(turn.norm(), turn.normalized());
    const double facing = std::abs((rotation * Eigen::Vector3d::UnitZ()).z());
    CHECK(std::abs(std::acos(facing) * 180 / std::numbers::pi - row.tilt_deg) < 0.5);
    // The paper's own diagonals, from pixel to millimetre.
    for (int i = 0; i < 2; ++i) {
      const PointMm a = card::mm_from_px(plane.value(), picture.corner[i]),
                    b = card::mm_from_px(plane.value(), picture.corner[i + 2]);
      CHECK(std::abs(distance(a, b) - std::hypot(size.width_mm, size.height_mm)) < 0.5);
    }
  }
}

TEST_CASE("of two rectangles of a paper's shape the one as bright as paper is the paper") {
  const card::PlainSize size = size_of("a4");
  PlainScene scene;
  const Shape paper{.x_mm = -120,
                    .width_mm = size.width_mm,
                    .height_mm = size.height_mm,
                    .radius_mm = 0,
                    .light = {0.5, 0.5, 0.5}};
  Shape reflection = paper;  // smaller by half and a tenth as bright: a window behind the camera
  reflection.x_mm = 130;
  reflection.width_mm /= 2, reflection.height_mm /= 2;
  reflection.light = {0.05, 0.05, 0.05};
  scene.shapes = {paper, reflection};
  scene.distance_mm = 900;
  scene.tilt_deg = 10;
  scene.noise = 1;
  const PlainPicture picture = draw(scene);
  REQUIRE(card::detect_plain_cards(picture.photo, size).size() == 2);
  photo::Lens lens;
  lens.value = support::lens_vector(camera_of(scene));
  lens.width_px = picture.photo.bgr.cols;
  lens.height_px = picture.photo.bgr.rows;
  lens.calibrated = true;
  const auto cards = card::detect_cards(picture.photo, lens, {size});
  REQUIRE(cards.ok());
  REQUIRE(cards->size() == 1);
  CHECK(furthest_corner_px(cards->front(), picture) <= 0.35);
}

TEST_CASE("a reflection of a card's shape but not of its size is left out, and that is said") {
  support::Wish wish;
  wish.cards = support::CardKind::plain;
  const support::Scene scene = support::random_scene(5194, wish);
  photo::Lens lens;
  lens.value = support::lens_vector(scene.camera);
  lens.calibrated = true;
  lens.width_px = scene.camera.width_px;
  lens.height_px = scene.camera.height_px;
  const photo::Photo photo = support::render(scene);
  REQUIRE(card::detect_plain_cards(photo, size_of("id1")).size() > 1);
  const auto cards = card::detect_cards(photo, lens, {size_of("id1")});
  REQUIRE(cards.ok());
  REQUIRE(cards->size() == 1);
  REQUIRE(cards->front().findings.size() == 1);
  CHECK(cards->front().findings[0].code == "rectangle_left_out");
  CHECK(card::fit_plane(cards.value(), lens).ok());
}

TEST_CASE("an empty, tiny or plain noise photo holds no card") {
  photo::Photo photo;
  photo.bgr = cv::Mat(20, 30, CV_8UC3, cv::Scalar(9, 9, 9));
  CHECK(card::detect_plain_cards(photo, size_of("id1")).empty());
  photo.bgr = cv::Mat(600, 800, CV_8UC3, cv::Scalar(9, 9, 9));
  CHECK(card::detect_plain_cards(photo, size_of("id1")).empty());
  photo.bgr.release();
  CHECK(card::detect_plain_cards(photo, size_of("id1")).empty());
}

}  // namespace panecard::test
