// Photos of panes whose outline, camera and cards are known exactly.
//
// A scene is a flat pane in a painted body: a seal bead lit from above, cabin and reflections with
// hard edges that cross the glass edge, an optional ceramic band, cards on the glass. Every pixel
// is followed back through lens and pose to the pane, so that truth and picture cannot drift apart.
//
// Frames   plane: mm on the pane's outer face, x right, y up, z towards the camera.
//          image: px, the centre of the top-left pixel is (0.5, 0.5).
// Lens     x_d = x (1 + k1 r2 + k2 r2^2), px = f x_d + c (Brown 1971, radial terms).
#pragma once

#include <Eigen/Core>
#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "geom/geom.h"
#include "photo/photo.h"
#include "support/pane_shape.h"

namespace panecard::support {

/// Numbers in [0, 1) and N(0, 1) that are the same on every machine.
class Dice {
 public:
  explicit Dice(std::uint64_t seed) : state_(seed) {}
  std::uint64_t bits();
  double uniform(double low = 0, double high = 1);
  double normal();
  int below(int n);
  bool chance(double probability) { return uniform() < probability; }

 private:
  std::uint64_t state_;
};

using Colour = std::array<float, 3>;  ///< linear light, blue green red as in cv::Mat

enum class Family { door, quarter, vent, slider };
std::vector<Vertex> random_vertices(Family family, Dice& dice);

enum class CardKind { sheet_a4, sheet_letter, coded, plain };
struct SceneCard {
  CardKind kind = CardKind::coded;
  int id = 0;
  PointMm centre;
  double turn_deg = 0;
  double width_mm = 85.60, height_mm = 53.98, corner_radius_mm = 3.18, thickness_mm = 0.76;
  double print_scale = 1;   ///< of the printed pattern
  double print_aspect = 0;  ///< by how much of itself it is longer upright than across
  Colour colour = {0.8F, 0.8F, 0.8F};
  bool decorated = false;  ///< plain cards: a stripe and a chip
};
SceneCard sheet(CardKind paper, PointMm centre, double turn_deg);
SceneCard coded_card(int id, PointMm centre, double turn_deg);
SceneCard plain_card(Colour colour, PointMm centre, double turn_deg);

struct Camera {
  Eigen::Matrix3d rotation = Eigen::Matrix3d::Identity();  ///< camera (y down) from plane
  Eigen::Vector3d position = {0, 0, 800};                  ///< mm, in the plane frame
  double f_px = 3010, cx_px = 2016, cy_px = 1512, k1 = 0, k2 = 0;
  int width_px = 4032, height_px = 3024;
};
/// Looks at `target` from `distance_mm`, off the normal by `tilt_deg` towards `azimuth_deg`.
Camera look_at(PointMm target, double distance_mm, double tilt_deg, double azimuth_deg,
               double roll_deg, int width_px);
/// Where the camera sees a point `height_mm` above the outer face.
PointPx project(const Camera& camera, PointMm p, double height_mm = 0);
/// The lens as the measuring code states it.
photo::LensVector lens_vector(const Camera& camera);

struct Band {
  double solid_mm = 20;  ///< width of the solid band, from the outline inwards
  int rows = 0;          ///< of dots that follow it
  double pitch_mm = 3;
};

struct Patch {  ///< a rectangle behind the glass, on the glass (reflection) or on the body
  double left_mm = 0, right_mm = 0, bottom_mm = 0, top_mm = 0;
  double depth_mm = 0;  ///< behind the glass; reflections: of the mirrored object
  Colour colour = {0, 0, 0};
};

struct Scene {
  std::uint64_t seed = 1;  ///< of the noise
  Family family = Family::door;
  std::vector<Vertex> vertices;
  Camera camera;
  std::vector<SceneCard> cards;
  std::optional<Band> band;
  double glass_thickness_mm = 4, refractive_index = 1.52;
  double bow_mm = 0;   ///< over a chord of 1 m, outwards; small: lengths stay as they are
  double bow_deg = 0;  ///< of the chord; across it the pane is straight
  PointMm bow_about;   ///< where the outer face is highest or lowest, at height 0

  double seal_mm = 12;
  Colour seal = {0.05F, 0.05F, 0.05F};
  double contact_shadow = 0.2;  ///< darkening of the glass where it meets the seal
  double contact_shadow_mm = 1;
  Colour body = {0.3F, 0.3F, 0.3F};
  PointMm lamp = {0, 600};  ///< where a lamp shines on the body
  double lamp_mm = 400, lamp_gain = 1;
  Colour cabin = {0.05F, 0.05F, 0.05F};
  std::vector<Patch> body_patches, cabin_patches, reflections;

  double blur_px = 0.7;  ///< Gaussian, of optics and sensor
  double shake_px = 0, shake_deg = 0;
  double exposure = 1;
  double shot_noise = 1e-4, read_noise = 0.002;  ///< variance per light; sigma; linear light
  double noise_correlation_px = 0.6;             ///< as demosaicing leaves it
  int jpeg_quality = 0;                          ///< 0: not compressed
};

struct Truth {
  PolygonMm outline_mm;  ///< counter-clockwise, chord error under 0.01 mm
  std::vector<PointPx> outline_px;
  PolygonMm solid_mm, dots_mm;  ///< empty without a band
};
Truth truth_of(const Scene& scene);
/// How far the outer face lies behind the plane of the frame.
double depth_mm(const Scene& scene, PointMm p);

/// What a scene may hold; all else is drawn from the seed.
struct Wish {
  int width_px = 2016;
  std::optional<Family> family;
  std::optional<CardKind> cards;  ///< coded: two to four of them
  double max_tilt_deg = 25;
  bool bands = false;
  bool shake = false;
  double k1_sigma = 0.02, k2_sigma = 0.01;
};
Scene random_scene(std::uint64_t seed, const Wish& wish);

/// The photo of the scene. Same scene, same bits, whatever the number of threads.
photo::Photo render(const Scene& scene);

}  // namespace panecard::support
