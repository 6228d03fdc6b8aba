// Detects reference cards in a photo and estimates the measuring plane: camera pose, lens and bend
// of the pane that they lie on, with covariance.
//
// Frames   image: px, see photo.h.
//          plane: mm on the pane's outer face, x right, y up as the camera sees it, z towards the
//          camera; origin and x axis at the first card (its centre, its long side).
#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "base/base.h"
#include "geom/geom.h"
#include "photo/photo.h"

namespace panecard::card {

enum class Kind { sheet, card, plain };

/// Nominal size of a plain card. Its tolerance is a prior of the fit.
struct PlainSize {
  std::string name;  ///< "id1", "a4", "letter", "210x297"
  double width_mm = 85.60, height_mm = 53.98;
  double corner_radius_mm = 3.18;
  double thickness_mm = 0.76;
  double sigma_width_mm = 0.07, sigma_height_mm = 0.03;  ///< ISO/IEC 7810 limits, taken rectangular
};
Result<PlainSize> plain_size(const std::string& text);  ///< id1, a4, letter or WxH in mm

/// A chessboard corner: point on the card and its image.
struct Corner {
  PointMm on_card;  ///< origin at the card's centre, y up as printed
  PointPx seen;     ///< in the photo
  double sigma_px = 0.05;
};

/// A straight edge: the line a-b on the card and samples of it in the photo.
struct Edge {
  PointMm a, b;
  std::vector<PointPx> seen;
  double sigma_px = 0.1;  ///< of each sample, normal to the edge
};

struct DetectedCard {
  Kind kind = Kind::card;
  int id = 0;  ///< coded card number; 0 for others
  double width_mm = 0, height_mm = 0,
         thickness_mm = 0;      ///< body (sheet: board 182 x 234, page unknown)
  std::vector<Corner> corners;  ///< coded: chessboard corners
  std::vector<Edge> edges;      ///< plain: four; coded: outer sides of the board's black squares
  std::optional<PlainSize> plain;
  double deviance = 0;            ///< plain: minus twice the log-likelihood, 0 for a perfect card
  std::vector<PointPx> body_px;   ///< the body's four corners in the photo, top-left as printed
                                  ///< first, clockwise on the screen; for masking and drawing
  std::vector<Finding> findings;  ///< of this card, or of a rejected candidate
};

struct DetectOptions {
  std::optional<PlainSize>
      plain;  ///< asked for by the user; else ID-1 is tried when no coded card is found
  bool allow_cut_off =
      false;  ///< lens calibration: accept a coded card that is partly outside the photo
};

/// All cards in the photo, coded ones first (largest first), then plain ones by deviance. Never
/// empty.
/// @retval card_not_found, card_cut_off, too_blurred
Result<std::vector<DetectedCard>> detect_cards(const photo::Photo& photo, const photo::Lens& lens,
                                               const DetectOptions& options);

/// Scales the printed points of a coded sheet or card: 0.994 when its 100 mm check bar measures
/// 99.4 mm. Plain cards are not changed.
void apply_print_scale(double scale, DetectedCard& card);

/// Parameters: rotation vector and translation (mm) of camera_from_plane, then the lens, then the
/// pane's curvature at the plane's origin (1/mm, see CurvatureTensor).
inline constexpr int kLensOffset = 6, kCurvatureOffset = kLensOffset + photo::kLensSize,
                     kPlaneSize = kCurvatureOffset + 3;
using PlaneVector = Eigen::Matrix<double, kPlaneSize, 1>;

/// The measuring plane with its covariance; lens parameters as refined by the cards. A bent pane
/// has the plane as its tangent at the origin, and its millimetres are lengths on its developed
/// face. camera frame: x right, y down, z into the scene. X_camera = R(rotation) X_plane + t, where
/// X_plane = (x, y, z) as above (y up, z towards the camera).
struct Plane {
  PlaneVector value = PlaneVector::Zero();
  /// Square root of the covariance: value + factor * n with n ~ N(0, I). Columns are independent;
  /// planes fitted together share them. `sources` says the source of each column.
  Eigen::Matrix<double, kPlaneSize, Eigen::Dynamic> factor;
  std::vector<ErrorSource> sources;  ///< per column
  double bent_probability = 0;       ///< that the pane is bent rather than flat, given the cards
  Eigen::Vector2d up{0, 1};          ///< the (first) photo's upward direction, unit length
  double rms_px = 0;                 ///< of the corner residuals
  std::vector<Eigen::Vector3d> card_pose;  ///< per card: x, y mm and turn rad on the plane
  std::vector<double>
      card_reduced_chi2;          ///< per card: residual chi-square over its degrees of freedom
  std::vector<Finding> findings;  ///< "lens_unknown", "pane_may_be_curved", "one_card" ...
};

/// The pane's principal curvatures, 1/mm, positive where it bulges towards the camera: major is the
/// one of larger magnitude.
struct PrincipalCurvatures {
  double major = 0, sigma_major = 0;
  double minor = 0, sigma_minor = 0;
  double axis_deg = 0;  ///< 0 to 90: axis of the major curvature against horizontal in the photo
};
PrincipalCurvatures curvature_of(const Plane& plane);

/// Curvature measured by the user, as depth under a straightedge laid across the pane.
struct MeasuredBow {
  double curvature_per_mm = 0;  ///< positive: bulges towards the camera; 0: flat
  double sigma_per_mm = 0;
  bool vertical_axis = false;  ///< bent about a vertical axis instead of a horizontal one
};

/// The cards of one photo.
struct View {
  std::vector<DetectedCard> cards;
  photo::Lens lens;
};

/// Bundle adjustment over the poses of all cards on the pane, its bend and the lens with its prior
/// covariance, with Huber's loss; flat and bent models are averaged by their evidence
/// (docs/card.md, docs/bend.md).
/// @retval cards_disagree, plane_too_uncertain
Result<Plane> fit_plane(const std::vector<DetectedCard>& cards, const photo::Lens& lens,
                        const std::optional<MeasuredBow>& bow = {});

/// The same for several photos of one pane: coded cards of one number are one card, cameras whose
/// lens has one profile share it. All planes have one frame, that of the first photo's first card.
/// @retval cards_disagree also when a photo shares no coded card with another one
Result<std::vector<Plane>> fit_planes(const std::vector<View>& views,
                                      const std::optional<MeasuredBow>& bow = {});

/// Intersection of a pixel's ray with the face, or the surface height_mm above it; NaN when the ray
/// misses it.
PointMm mm_from_px(const Plane& plane, PointPx px, double height_mm = 0);
PointPx px_from_mm(const Plane& plane, PointMm p, double height_mm = 0);
/// The same maps for a raw parameter vector: for Jacobians and Monte Carlo.
PointMm mm_from_px(const PlaneVector& value, PointPx px, double height_mm = 0);
PointPx px_from_mm(const PlaneVector& value, PointMm p, double height_mm = 0);

/// d(mm)/d(parameters) at a fixed pixel.
Eigen::Matrix<double, 2, kPlaneSize> mm_jacobian(const Plane& plane, PointPx px,
                                                 double height_mm = 0);

/// Camera centre in the plane frame, mm.
Eigen::Vector3d camera_centre_mm(const PlaneVector& value);
/// The same in the tangent frame at a place on the pane: x and y continue the developed ones, z is
/// the face's normal.
Eigen::Vector3d camera_in_tangent_frame_mm(const PlaneVector& value, PointMm place);

}  // namespace panecard::card
