#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <numbers>

#include "support/render.h"

namespace panecard::support {
namespace {

constexpr double kDegree = std::numbers::pi / 180;

Colour grey(double value) {
  const auto v = static_cast<float>(value);
  return {v, v, v};
}

Colour tinted(Dice& dice, double low, double high) {
  const double level = dice.uniform(low, high);
  Colour c{};
  for (float& channel : c) channel = static_cast<float>(level * dice.uniform(0.6, 1.0));
  return c;
}

struct Bounds {
  double left = 0, right = 0, bottom = 0, top = 0;
  double width() const { return right - left; }
  double height() const { return top - bottom; }
  PointMm at(double u, double v) const { return {left + u * width(), bottom + v * height()}; }
};

Bounds bounds_of(const PolygonMm& polygon) {
  const Extent e = extent_of(polygon);
  return {e.low.x, e.high.x, e.low.y, e.high.y};
}

Patch patch_on(const Bounds& e, Dice& dice, double depth_mm, Colour colour) {
  const PointMm a = e.at(dice.uniform(-0.6, 1.2), dice.uniform(-0.6, 1.0));
  return {a.x,      a.x + e.width() * dice.uniform(0.15, 0.7),
          a.y,      a.y + e.height() * dice.uniform(0.2, 1.2),
          depth_mm, colour};
}

/// A trim strip and the neighbouring pane to the right, a body seam below, a handle.
std::vector<Patch> surroundings(const Bounds& e, double seal_mm, Dice& dice) {
  const double strip = e.right + seal_mm + dice.uniform(6, 25);
  const double strip_end = strip + dice.uniform(25, 60);
  const double seam = e.bottom - seal_mm - dice.uniform(15, 90);
  const double next = strip_end + dice.uniform(5, 30);
  const double dark = dice.uniform(0.02, 0.12);
  return {{strip, strip_end, seam + 8, e.top + 40, 0, grey(dark)},
          {next, next + 900, seam + 40, e.top - dice.uniform(0, 60), 0, grey(dark / 3)},
          {e.left - 2000, e.right + 2000, seam - dice.uniform(3, 6), seam, 0, grey(0.01)},
          {e.at(0.6, 0).x, e.at(0.9, 0).x, seam - 110, seam - 80, 0, grey(dark)}};
}

void fill_light(Scene& scene, const Bounds& e, Dice& dice) {
  scene.seal_mm = dice.uniform(6, 20);
  scene.seal = tinted(dice, 0.04, 0.12);
  scene.contact_shadow = dice.uniform(0, 0.3);
  scene.contact_shadow_mm = dice.uniform(0.6, 2);
  scene.body = tinted(dice, 0.08, 0.6);
  scene.lamp = e.at(dice.uniform(-0.3, 1.3), dice.uniform(0.9, 2));
  scene.lamp_mm = dice.uniform(150, 600);
  scene.lamp_gain = dice.uniform(0.2, 2);
  scene.body_patches = surroundings(e, scene.seal_mm, dice);
  scene.cabin = tinted(dice, 0.003, 0.04);  // unlit, behind tinted glass
  for (int i = 3 + dice.below(5); i > 0; --i) {
    const bool bright = dice.chance(0.3);
    scene.cabin_patches.push_back(patch_on(
        e, dice, dice.uniform(200, 1200), tinted(dice, bright ? 0.1 : 0.003, bright ? 0.5 : 0.08)));
  }
  for (int i = 1 + dice.below(4); i > 0; --i) {
    scene.reflections.push_back(
        patch_on(e, dice, dice.uniform(800, 4000), tinted(dice, 0.005, 0.06)));
  }
}

void fill_cards(Scene& scene, const PaneShape& shape, const Bounds& e, CardKind kind, Dice& dice) {
  const int wanted = kind == CardKind::coded ? 2 + dice.below(3) : 1;
  const bool is_sheet = kind == CardKind::sheet_a4 || kind == CardKind::sheet_letter;
  // A page lies across the middle. Where not even one card fits, the last one tried stays.
  for (int tries = 0; tries < 400 && static_cast<int>(scene.cards.size()) < wanted; ++tries) {
    const double reach = is_sheet ? 0.1 : 0.4;
    const PointMm at = e.at(0.5 + dice.uniform(-reach, reach), 0.5 + dice.uniform(-reach, reach));
    const double turn = dice.uniform(-8, 8) + (e.width() > 1.2 * e.height() && is_sheet ? 90 : 0);
    SceneCard card = plain_card(dice.chance(0.5) ? grey(0.8) : tinted(dice, 0.2, 0.6), at, turn);
    if (is_sheet) card = sheet(kind, at, turn);
    if (kind == CardKind::coded) card = coded_card(static_cast<int>(scene.cards.size()), at, turn);
    card.decorated = kind == CardKind::plain && dice.chance(0.5);
    const double radius = std::hypot(card.width_mm, card.height_mm) / 2;
    bool fits = shape.place(at).distance_mm < (is_sheet ? -130 : -radius - 4);
    fits = fits || (tries > 300 && scene.cards.empty());
    for (const SceneCard& other : scene.cards) {
      fits = fits && distance(other.centre, at) > 2 * radius;
    }
    if (fits) scene.cards.push_back(card);
  }
}

}  // namespace

std::uint64_t Dice::bits() {  // SplitMix64, Steele, Lea & Flood 2014
  std::uint64_t z = (state_ += 0x9E3779B97F4A7C15ULL);
  z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9ULL;
  z = (z ^ (z >> 27)) * 0x94D049BB133111EBULL;
  return z ^ (z >> 31);
}

double Dice::uniform(double low, double high) {
  return low + (high - low) * static_cast<double>(bits() >> 11) * 0x1.0p-53;
}

double Dice::normal() {  // Box & Muller 1958
  const double radius = std::sqrt(-2 * std::log(1 - uniform()));
  return radius * std::cos(2 * std::numbers::pi * uniform());
}

int Dice::below(int n) { return static_cast<int>(uniform(0, n)); }

std::vector<Vertex> random_vertices(Family family, Dice& dice) {
  const auto between = [&](double low, double high) { return dice.uniform(low, high); };
  if (family == Family::slider) {
    const double w = between(350, 600), h = between(300, 450), r = between(8, 25);
    return {{{0, 0}, r}, {{w, 0}, r}, {{w, h}, r}, {{0, h}, r}};
  }
  if (family == Family::vent) {
    const double w = between(220, 320), h = between(240, 340);
    return {{{0, 0}, between(18, 30), between(0, 3)},
            {{w, between(-10, 20)}, between(18, 35), between(0, 4)},
            {{w * between(0.75, 1), h}, between(14, 25), between(0, 5)}};
  }
  if (family == Family::quarter) {
    const double w = between(420, 580), h = between(400, 500), lean = between(40, 130);
    return {{{0, 0}, between(50, 80), between(0, 6)},
            {{w, between(0, 60)}, between(40, 70), between(0, 6)},
            {{w - lean, h - between(10, 50)}, between(40, 80), between(0, 8)},
            {{between(10, 60), h}, between(40, 80), between(0, 6)}};
  }
  const double w = between(700, 920), h = between(440, 540);
  return {{{0, 0}, between(15, 40), between(0, 4)},
          {{w, between(0, 30)}, between(15, 40), between(0, 5)},
          {{w - between(10, 60), h - between(20, 40)}, between(30, 60), between(0, 12)},
          {{w * between(0.35, 0.5), h}, between(40, 70), between(0, 6)},
          {{between(5, 25), h * between(0.3, 0.45)}, between(15, 30), between(0, 4)}};
}

SceneCard sheet(CardKind paper, PointMm centre, double turn_deg) {
  SceneCard card;
  card.kind = paper;
  card.centre = centre;
  card.turn_deg = turn_deg;
  card.width_mm = paper == CardKind::sheet_a4 ? 210 : 215.9;
  card.height_mm = paper == CardKind::sheet_a4 ? 297 : 279.4;
  card.corner_radius_mm = 0;
  card.thickness_mm = 0.1;
  return card;
}

SceneCard coded_card(int id, PointMm centre, double turn_deg) {
  SceneCard card;
  card.id = id;
  card.centre = centre;
  card.turn_deg = turn_deg;
  return card;
}

SceneCard plain_card(Colour colour, PointMm centre, double turn_deg) {
  SceneCard card = coded_card(0, centre, turn_deg);
  card.kind = CardKind::plain;
  card.colour = colour;
  return card;
}

Camera look_at(PointMm target, double distance_mm, double tilt_deg, double azimuth_deg,
               double roll_deg, int width_px) {
  using Eigen::AngleAxisd, Eigen::Vector3d;
  Camera camera;
  const double size = width_px / 4032.0;
  camera.width_px = width_px;
  camera.height_px = static_cast<int>(std::lround(3024 * size));
  camera.f_px = 3010 * size;
  camera.cx_px = camera.width_px / 2.0;
  camera.cy_px = camera.height_px / 2.0;
  const double tilt = tilt_deg * kDegree, azimuth = azimuth_deg * kDegree;
  const Vector3d back(std::sin(tilt) * std::cos(azimuth), std::sin(tilt) * std::sin(azimuth),
                      std::cos(tilt));
  camera.position = Vector3d(target.x, target.y, 0) + distance_mm * back;
  const Vector3d right = Vector3d(0, 1, 0).cross(back).normalized();
  Eigen::Matrix3d axes;
  axes << right.transpose(), -back.cross(right).transpose(), -back.transpose();
  camera.rotation = AngleAxisd(roll_deg * kDegree, Vector3d::UnitZ()).toRotationMatrix() * axes;
  return camera;
}

PointPx project(const Camera& camera, PointMm p, double height_mm) {
  const Eigen::Vector3d ray =
      camera.rotation * (Eigen::Vector3d(p.x, p.y, height_mm) - camera.position);
  const double x = ray.x() / ray.z(), y = ray.y() / ray.z(), r2 = x * x + y * y;
  const double stretch = camera.f_px * (1 + r2 * (camera.k1 + r2 * camera.k2));
  return {camera.cx_px + stretch * x, camera.cy_px + stretch * y};
}

photo::LensVector lens_vector(const Camera& camera) {
  photo::LensVector lens = photo::LensVector::Zero();
  lens[photo::kF] = camera.f_px;
  lens[photo::kCx] = camera.cx_px;
  lens[photo::kCy] = camera.cy_px;
  lens[photo::kK1] = camera.k1;
  lens[photo::kK2] = camera.k2;
  return lens;
}

double dots_inset_mm(const Band& band) {
  return band.solid_mm + band.pitch_mm * (0.55 + 0.866 * (band.rows - 1) + 0.2);
}

double depth_mm(const Scene& scene, PointMm p) {
  const double turn = scene.bow_deg * kDegree;
  const double along = dot(p - scene.bow_about, {std::cos(turn), std::sin(turn)});
  return scene.bow_mm * std::pow(along / 500, 2);
}

Truth truth_of(const Scene& scene) {
  const PaneShape shape(scene.vertices);
  Truth truth;
  truth.outline_mm = shape.polygon();
  for (const PointMm& p : truth.outline_mm) {
    truth.outline_px.push_back(project(scene.camera, p, -depth_mm(scene, p)));
  }
  if (scene.band) {
    truth.solid_mm = shape.polygon(scene.band->solid_mm);
    if (scene.band->rows > 0) truth.dots_mm = shape.polygon(dots_inset_mm(*scene.band));
  }
  return truth;
}

Scene random_scene(std::uint64_t seed, const Wish& wish) {
  Dice dice(seed);
  Scene scene;
  scene.seed = dice.bits();
  scene.family = wish.family.value_or(static_cast<Family>(dice.below(4)));
  const bool page = wish.cards == CardKind::sheet_a4 || wish.cards == CardKind::sheet_letter;
  if (page && !wish.family && scene.family == Family::vent) scene.family = Family::slider;
  scene.vertices = random_vertices(scene.family, dice);
  const PaneShape shape(scene.vertices);
  const Bounds e = bounds_of(shape.polygon(0, 0.1));
  fill_light(scene, e, dice);
  // A page does not fit on a vent pane.
  const int kinds = scene.family == Family::vent ? 2 : 0;
  fill_cards(scene, shape, e,
             wish.cards.value_or(static_cast<CardKind>(kinds + dice.below(4 - kinds))), dice);
  if (wish.bands && dice.chance(0.5)) {
    scene.band = Band{dice.uniform(8, 25), dice.below(6), dice.uniform(2.5, 3.6)};
  }
  const double fill = dice.uniform(1.3, 1.9);  // how much wider the photo is than the pane
  const double distance = fill * std::max(e.width(), 4.0 / 3 * e.height()) * 3010 / 4032;
  scene.camera = look_at(e.at(dice.uniform(0.45, 0.55), dice.uniform(0.45, 0.55)), distance,
                         wish.max_tilt_deg * std::sqrt(dice.uniform()), dice.uniform(0, 360),
                         dice.uniform(-4, 4), wish.width_px);
  scene.camera.k1 = wish.k1_sigma * dice.normal();
  scene.camera.k2 = wish.k2_sigma * dice.normal();
  scene.blur_px = dice.uniform(0.6, 0.9);
  if (wish.shake) {
    scene.shake_px = dice.uniform(1, 3);
    scene.shake_deg = dice.uniform(0, 180);
  }
  scene.exposure = dice.uniform(0.7, 1.4);
  const double gain = dice.uniform(0.3, 3);  // sensor gain: a dark shop or daylight
  scene.shot_noise *= gain;
  scene.read_noise *= gain;
  return scene;
}

}  // namespace panecard::support
