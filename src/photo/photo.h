// Turns a photo file into upright pixels, EXIF data and a lens model.
//
// Frames   px: x right, y down, the centre of the top-left pixel is (0.5, 0.5). OpenCV's own calls
//          put it at (0, 0): convert at the call, never in stored values.
#pragma once

#include <Eigen/Core>
#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/base.h"
#include "geom/geom.h"

namespace panecard::photo {

inline constexpr double kMaxMegapixels = 200;

struct Exif {
  std::string make, model;           ///< EXIF; empty when unknown
  std::optional<double> focal_mm;    ///< EXIF FocalLength
  std::optional<double> focal_35mm;  ///< EXIF FocalLengthIn35mmFilm
  int orientation = 1;               ///< EXIF, already applied to the pixels
};

struct Photo {
  cv::Mat bgr;   ///< 8-bit, 3 channels, upright
  cv::Mat grey;  ///< 8-bit, same size
  Exif exif;
};

/// JPEG, PNG, TIFF, WebP, HEIC by content, not by name.
/// @retval unreadable_file  missing, directory, empty, truncated, not an image.
/// @retval too_large        over kMaxMegapixels as the header states it (checked before decoding).
Result<Photo> load(const std::string& path);
/// The same from memory; `name` is for messages.
Result<Photo> load_bytes(std::string_view bytes, const std::string& name);

/// Parameters of the lens, in this order wherever a vector or covariance of them appears.
enum LensIndex { kF, kCx, kCy, kK1, kK2, kK3, kP1, kP2, kLensSize };
using LensVector = Eigen::Matrix<double, kLensSize, 1>;
using LensMatrix = Eigen::Matrix<double, kLensSize, kLensSize>;

/// Brown-Conrady, square pixels. With x = X/Z, y = Y/Z (y down), r2 = x^2 + y^2:
///   x_d = x (1 + k1 r2 + k2 r2^2 + k3 r2^3) + 2 p1 x y + p2 (r2 + 2 x^2), y_d likewise,
///   px = f x_d + cx. The covariance is of (f, cx, cy, k1, k2, k3, p1, p2), zero for a fixed one.
struct Lens {
  std::string make, model;
  int width_px = 0,
      height_px = 0;  ///< upright photo; a profile also serves the photo turned by 90 deg
  LensVector value = LensVector::Zero();
  LensMatrix covariance = LensMatrix::Zero();
  bool calibrated = false;  ///< false: from EXIF and priors
  double rms_px = 0;        ///< residual of the calibration
  int photos = 0;
  int orientation = 1;  ///< EXIF, of the photos behind it: which way the sensor was turned
};

/// The pixel where the direction (x, y, 1) in the camera frame (y down) is seen.
PointPx distort(const LensVector& lens, double x, double y);

/// Inverse of distort: the direction (x, y, 1) of a pixel, by Newton's method. NaN beyond the
/// radius up to which the radial distortion is monotonic.
Eigen::Vector2d undistort(const LensVector& lens, PointPx px);

/// Lens from EXIF and priors when there is no profile: f from the 35 mm equivalent (diagonal, CIPA
/// DCG-001) with the rounding of that tag and its usage in its uncertainty, distortion N(0, prior).
Lens lens_from_exif(const Exif& exif, int width_px, int height_px);

/// Lens profile file (JSON): read, write, find by make/model/size in the folders given, first wins.
Result<Lens> read_lens(const std::string& path);
std::string lens_to_json(const Lens& lens);
/// Scales and turns a profile to a photo of `width` x `height`; nullopt when it can't serve it.
/// @param orientation  EXIF, of the photo. When it and the shapes contradict each other (a photo
///                     turned by an editor), both turns are allowed for in the covariance.
std::optional<Lens> adapt_profile(const Lens& profile, int width_px, int height_px,
                                  int orientation = 1);
/// Clockwise quarter turns from the sensor's frame to the upright photo; nullopt for mirrored ones.
std::optional<int> quarter_turns(int orientation);
/// The first profile for this make and model that serves the size and whose focal length the
/// photo's EXIF does not contradict (a zoomed photo has the same size but not the same lens).
std::optional<Lens> find_lens(const Exif& exif, int width_px, int height_px,
                              const std::vector<std::string>& folders);

}  // namespace panecard::photo
