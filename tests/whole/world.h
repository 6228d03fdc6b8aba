// What makes a measurement err, drawn as it happens, each from a source that is not this program.
// Nothing here may be taken from src/ or docs/: the two are to be held against each other.
// "From memory" and "common practice" mark what nobody could look up.
#pragma once

#include <doctest/doctest.h>

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "lens/lens.h"
#include "support/render.h"

namespace panecard::whole::world {

/// How one printer's pages come out, on paper.
struct Print {
  double scale = 1;
  double aspect = 0;  ///< longer along the page than across it, by this much of itself
};

/// A page whose check bar a person has found to be 100.0 mm long.
inline Print draw_print(support::Dice& dice) {
  Print print;
  // A steel rule in half millimetres, laid on and read to 0.1 mm at either end: common practice.
  print.scale += (dice.uniform(-0.1, 0.1) + dice.uniform(-0.1, 0.1)) / 100;
  // Read one day, used another: 10 % of relative humidity either way. Office paper, 33 to 66 %:
  // 0.13 % along the machine's direction, which is the page's length, 0.4 % across (ISO 8226-1,
  // from memory).
  const double humidity = dice.uniform(-10, 10);
  const double along = humidity * 0.0013 / 33, across = humidity * 0.004 / 33;
  // The bar lies across. A laser printer's feed is within 0.2 % of that: common practice.
  const double feed = dice.uniform(-0.002, 0.002);
  print.scale += across + (along - across + feed) / 2;
  print.aspect = along - across + feed;
  return print;
}

/// An ID-1 body, unused (ISO/IEC 7810:2003, 5.1.1, from memory): 85.47 to 85.72 by 53.92 to 54.03
/// mm, corners of 3.18 +- 0.30, 0.76 +- 0.08 thick; anywhere within these limits.
inline void draw_body(support::SceneCard& card, support::Dice& dice) {
  card.width_mm = dice.uniform(85.47, 85.72);
  card.height_mm = dice.uniform(53.92, 54.03);
  card.corner_radius_mm = dice.uniform(2.88, 3.48);
  card.thickness_mm = dice.uniform(0.68, 0.84);
}

inline void draw_cards(support::Scene& scene, const Print& page, support::Dice& dice) {
  for (support::SceneCard& card : scene.cards) {
    const bool is_body =
        card.kind == support::CardKind::coded || card.kind == support::CardKind::plain;
    if (is_body) draw_body(card, dice);
    // Office paper of 80 g/m2 is about 0.1 mm thick, stickers and heavier paper up to 0.15; a page
    // taped to glass stands off by as much again in places: common practice.
    const double paper_mm = dice.uniform(0.09, 0.15);
    if (card.kind == support::CardKind::coded) card.thickness_mm += paper_mm;
    if (!is_body) card.thickness_mm = paper_mm + dice.uniform(0, 0.1);
    card.print_scale = page.scale;
    card.print_aspect = page.aspect;
    // Glued on plastic, it moves with that: PVC 70e-6 per K (from memory), 10 K either way.
    if (card.kind == support::CardKind::coded) card.print_scale += 70e-6 * dice.uniform(-10, 10);
  }
}

/// Flat toughened glass may bow by 3 mm in 1 m (EN 12150-1, horizontal toughening, from memory);
/// outwards, as vehicle panes are pressed (common practice).
inline void draw_bow(support::Scene& scene, support::Dice& dice) {
  const Extent extent = extent_of(support::truth_of(scene).outline_mm);
  scene.bow_about = 0.5 * (extent.low + extent.high);
  scene.bow_mm = dice.uniform(0, 3);
  scene.bow_deg = dice.chance(0.5) ? 90 : 0;
}

/// The depth under a straightedge, read with a rule in millimetres to half of one: common practice.
constexpr double kStraightedge_mm = 500;
inline double read_gap_mm(const support::Scene& scene, support::Dice& dice) {
  const double gap_mm = scene.bow_mm * std::pow(kStraightedge_mm / 1000, 2);
  return std::max(0.0, gap_mm + dice.uniform(-0.5, 0.5));
}

/// A thin lens of `focal_mm` focused at a distance stands this much further from its sensor than
/// for infinity: 1/f = 1/a + 1/b.
inline double drawn_out(double focal_mm, double distance_mm) {
  return 1 / (1 - focal_mm / distance_mm);
}

/// Twelve photos of the same printer's page from about 420 mm, leaning every way, as the manual
/// asks for them; corners good to 0.05 px.
inline photo::Lens calibrated(const photo::LensVector& truth, int width_px, int height_px,
                              const Print& page, support::Dice& dice) {
  constexpr double kPi = 3.14159265358979323846;
  std::vector<lens::View> views;
  for (int i = 0; i < 12; ++i) {
    const double azimuth = dice.uniform(0, 2 * kPi), lean = dice.uniform(15, 35) * kPi / 180;
    const Eigen::Matrix3d r =
        (Eigen::AngleAxisd(lean, Eigen::Vector3d(std::cos(azimuth), std::sin(azimuth), 0)) *
         Eigen::AngleAxisd(kPi, Eigen::Vector3d::UnitX()))
            .toRotationMatrix();
    const Eigen::Vector3d t(dice.uniform(-120, 120), dice.uniform(-80, 80), dice.uniform(400, 440));
    lens::View view;
    view.name = "photo " + std::to_string(i);
    for (int k = 0; k < 48; ++k) {
      const PointMm stated{(k % 6 - 2.5) * 26, (3.5 - k / 6) * 26};
      const Eigen::Vector3d printed(page.scale * (1 - page.aspect / 2) * stated.x,
                                    page.scale * (1 + page.aspect / 2) * stated.y, 0);
      const Eigen::Vector3d p = r * printed + t;
      PointPx px = photo::distort(truth, p.x() / p.z(), p.y() / p.z());
      px = {px.x + 0.05 * dice.normal(), px.y + 0.05 * dice.normal()};
      if (px.x < 0 || px.y < 0 || px.x > width_px || px.y > height_px) continue;
      view.corners.push_back({stated, px, 0.05});
    }
    views.push_back(std::move(view));
  }
  auto result = lens::calibrate(views, width_px, height_px);
  REQUIRE(result.ok());
  return result->lens;
}

/// Gives the camera a lens, and returns what is known of it: a calibration or the EXIF tags.
inline photo::Lens draw_lens(support::Camera& camera, bool is_calibrated, const Print& page,
                             support::Dice& dice) {
  const double diagonal_px = std::hypot(camera.width_px, camera.height_px);
  const double film_mm = std::hypot(36.0, 24.0);  // CIPA DCG-001: equivalents by the diagonal
  // Main cameras of phones: 24 to 28 mm equivalent, 4.2 to 7 mm in fact (common practice).
  const double equivalent_mm = dice.uniform(24, 28), focal_mm = dice.uniform(4.2, 7);
  const double infinity_px = equivalent_mm / film_mm * diagonal_px;
  // Optical centres within 1 % of the width; after the phone's own correction a corner is off by
  // up to 2 %, in a mixture of third and fifth order (common practice).
  camera.cx_px += 0.01 * camera.width_px * dice.uniform(-1, 1);
  camera.cy_px += 0.01 * camera.width_px * dice.uniform(-1, 1);
  const double corner = std::pow(film_mm / 2 / equivalent_mm, 2);
  camera.k1 = 0.02 * dice.uniform(-1, 1) / corner;
  camera.k2 = -0.5 * camera.k1 / corner * dice.uniform();
  camera.f_px = infinity_px * drawn_out(focal_mm, 420);
  photo::Lens lens;
  if (is_calibrated) {
    lens = calibrated(support::lens_vector(camera), camera.width_px, camera.height_px, page, dice);
  } else {
    photo::Exif exif;  // the tag is a whole number (Exif 2.3, FocalLengthIn35mmFilm)
    exif.focal_35mm = std::round(equivalent_mm);
    lens = photo::lens_from_exif(exif, camera.width_px, camera.height_px);
  }
  camera.f_px = infinity_px * drawn_out(focal_mm, camera.position.z());
  return lens;
}

}  // namespace panecard::whole::world
