// Points, curves and the contour that carries its uncertainty.
//
// Frames   PointPx: image, x right, y down; the centre of the top-left pixel is (0.5, 0.5).
//          PointMm: the pane's outer face, x right, y up, seen from the camera's side.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "base/base.h"

namespace panecard {

struct PointPx {
  double x = 0, y = 0;
};

struct PointMm {
  double x = 0, y = 0;
  friend PointMm operator+(PointMm a, PointMm b) { return {a.x + b.x, a.y + b.y}; }
  friend PointMm operator-(PointMm a, PointMm b) { return {a.x - b.x, a.y - b.y}; }
  friend PointMm operator*(double s, PointMm a) { return {s * a.x, s * a.y}; }
};

inline double dot(PointMm a, PointMm b) { return a.x * b.x + a.y * b.y; }
inline double cross(PointMm a, PointMm b) { return a.x * b.y - a.y * b.x; }
double norm(PointMm a);
inline double distance(PointMm a, PointMm b) { return norm(a - b); }

using PolygonMm = std::vector<PointMm>;  ///< closed: the last point joins the first

/// Curvature (1/mm) of a bent face at its origin, positive where it bulges towards +z: along x,
/// mixed, along y. A cylinder of radius R about an axis across the unit vector n is n n' / R.
template <typename T>
struct CurvatureTensor {
  T xx = T(0), xy = T(0), yy = T(0);
};

template <typename T>
struct Point3 {
  T x, y, z;
};

/// Trigonometric quotients as power series in t^2, regular at t = 0: cosine = cos t, sine_over =
/// sin t / t, sine_rest = (1 - sin t / t) / t^2, cosine_rest = (1 - cos t) / t^2. Exact to 1e-12
/// for t < 2.
template <typename T>
struct SincTerms {
  T cosine, sine_over, sine_rest, cosine_rest;
  explicit SincTerms(const T& t2)
      : sine_rest((1.0 / 6) -
                  t2 * ((1.0 / 120) -
                        t2 * ((1.0 / 5040) -
                              t2 * ((1.0 / 362880) - t2 * ((1.0 / 39916800) -
                                                           t2 * ((1.0 / 6227020800.0) -
                                                                 t2 * (1.0 / 1307674368000.0))))))),
        cosine_rest(
            0.5 - t2 * ((1.0 / 24) -
                        t2 * ((1.0 / 720) -
                              t2 * ((1.0 / 40320) -
                                    t2 * ((1.0 / 3628800) - t2 * ((1.0 / 479001600) -
                                                                  t2 * (1.0 / 87178291200.0))))))) {
    cosine = 1.0 - t2 * cosine_rest;
    sine_over = 1.0 - t2 * sine_rest;
  }
};

/// Exponential map of the face at its origin, `height` above it along the normal: (x, y) are
/// coordinates on the developed face, straight lines through the origin map to geodesics. Exact for
/// a plane, a cylinder and a sphere; otherwise lengths across the minor curvature stretch by about
/// k k' r^2 / 6. docs/bend.md has the derivation.
template <typename T>
Point3<T> point_on_surface(const CurvatureTensor<T>& k, const T& x, const T& y, const T& height) {
  const T slope_x = k.xx * x + k.xy * y, slope_y = k.xy * x + k.yy * y;
  const T depth = x * slope_x + y * slope_y;
  const SincTerms<T> turned(slope_x * slope_x + slope_y * slope_y);
  const T along = height * turned.sine_over - depth * turned.sine_rest;
  return {x + slope_x * along, y + slope_y * along,
          height * turned.cosine - depth * turned.cosine_rest};
}

/// Index into a closed list of n items, n > 0: any integer, wrapped into [0, n).
inline int wrapped(int i, int n) { return (i % n + n) % n; }

/// Consecutive items of a closed list: `first`, then the count - 1 that follow it, modulo the
/// list's size.
struct Run {
  int first = 0, count = 0;
};

/// The longest possible runs of items of a closed list, in the list's order from the first run that
/// begins at or after item 0 on. `first` lies in [0, n).
/// @param belongs    (i): whether item i lies in a run at all
/// @param continues  (before, i): whether two neighbours that both belong lie in the same run
/// @return one run {0, n} when every item belongs and continues; none when n is 0
template <typename Belongs, typename Continues>
std::vector<Run> circular_runs(int n, const Belongs& belongs, const Continues& continues) {
  const auto goes_on = [&](int i) {
    const int before = wrapped(i - 1, n);
    return belongs(i) && belongs(before) && continues(before, i);
  };
  int start = 0;
  while (start < n && goes_on(start)) ++start;
  if (start == n) return n > 0 ? std::vector<Run>{{0, n}} : std::vector<Run>{};
  std::vector<Run> runs;
  for (int k = start; k < start + n; ++k) {
    const int i = wrapped(k, n);
    if (!belongs(i)) continue;
    if (k == start || !goes_on(i)) runs.push_back({i, 0});
    ++runs.back().count;
  }
  return runs;
}

/// The same where neighbours that both belong always lie in the same run.
template <typename Belongs>
std::vector<Run> circular_runs(int n, const Belongs& belongs) {
  return circular_runs(n, belongs, [](int, int) { return true; });
}

/// Axis-aligned bounding box.
struct Extent {
  PointMm low, high;
  PointMm size() const { return high - low; }
};
Extent extent_of(const PolygonMm& points);  ///< of at least one
void widen(Extent& extent, PointMm p);      ///< to contain p as well

double distance_to_segment(PointMm p, PointMm a, PointMm b);

double signed_area_mm2(const PolygonMm& polygon);  ///< positive when counter-clockwise
double perimeter_mm(const PolygonMm& polygon);
bool contains(const PolygonMm& polygon, PointMm p);
bool self_intersects(const PolygonMm& polygon);
PolygonMm convex_hull(PolygonMm points);  ///< counter-clockwise, no three points on one line

/// Points every `step_mm` of arc length (adjusted so that they close evenly), on the chords.
PolygonMm resample(const PolygonMm& polygon, double step_mm);

/// Minimum-area enclosing rectangle by rotating callipers: one side lies on a hull edge (Freeman &
/// Shapira 1975).
struct OrientedBox {
  PointMm centre;
  double angle_rad = 0;  ///< direction of the long side
  double long_mm = 0, short_mm = 0;
};
OrientedBox min_area_box(const PolygonMm& polygon);

/// A vertex of a path of lines and arcs. The bulge is DXF's (LWPOLYLINE group 42): tan(sweep / 4)
/// of the arc to the next vertex, positive counter-clockwise; 0 is a straight line.
struct ArcVertex {
  PointMm at;
  double bulge = 0;
};

/// What can make a measured outline wrong. Every cause that this program models is listed here.
enum class ErrorSource {
  corner_noise,     ///< where the cards' corners are found in the photo
  lens,             ///< focal length and distortion
  print_scale,      ///< of coded cards and sheets
  card_size,        ///< of a plain card
  card_thickness,   ///< how far a card's face lies above the glass
  edge_creep,       ///< a plain card's edges seem moved outwards (blooming, rounded rim)
  bow,              ///< how far the pane is from flat
  glass_thickness,  ///< what is printed on the inner face is seen through the glass
  edge_definition,  ///< where on a rounded, shaded edge the pane ends
  edge_choice,      ///< which of two edges side by side is the pane's
  edge_noise,       ///< where the edge is found in the photo
  seal_in_shadow,   ///< a seal's edge that fades into the dark
  bridge,           ///< a stretch that is not seen and was bridged
  pointing,         ///< a stretch that a person drew
  fit,              ///< what the fitted lines and arcs leave over, and what was taken as straight
  box_choice,       ///< which of two enclosing rectangles of nearly the same area
};

/// As a result file and a report have it: "corner noise", "definition of the edge".
std::string_view text(ErrorSource source);

/// The name of a source of error: one of ErrorSource, or a text that a result file of another
/// version brought along and that is only passed on.
class SourceName {
 public:
  SourceName() = default;  ///< not known: an empty text
  SourceName(ErrorSource source)
      : text_(panecard::text(source)) {}  // NOLINT(google-explicit-constructor)
  explicit SourceName(std::string name) : text_(std::move(name)) {}
  const std::string& text() const { return text_; }
  friend bool operator==(const SourceName& a, const SourceName& b) = default;
  /// By text.
  friend bool operator<(const SourceName& a, const SourceName& b) { return a.text_ < b.text_; }

 private:
  std::string text_;
};

/// A measured closed curve with its uncertainty.
///
/// A *mode* is one independent source of error: if it were off by one standard uncertainty, point i
/// would move by mode[i] (mm). Covariance of everything = sum of the outer products of the modes.
/// Any dimension's uncertainty follows by moving the points along each mode and measuring again
/// (JCGM 100, 5.1; the correlation between points is carried exactly).
struct Contour {
  PolygonMm points;                ///< counter-clockwise, evenly spaced, y up
  std::vector<PointPx> points_px;  ///< the same points in the photo
  std::vector<bool> seen;          ///< false where the edge was bridged, not observed
  std::vector<double>
      sigma_mm;  ///< per point, normal: the part of the edge noise without
                 ///< correlation to its neighbours further than correlation_length_mm
  double correlation_length_mm = 10;  ///< arc length over which that noise is correlated
  std::vector<PolygonMm> modes;  ///< of sources that move many points together; points.size() each
  std::vector<SourceName> mode_sources;  ///< one per mode
};

/// All modes of a contour: the shared ones, then the noise modes, so that one propagation serves
/// every source.
std::vector<PolygonMm> all_modes(const Contour& contour);

/// A local mode of edge noise: for one standard uncertainty, point (first + k) modulo the point
/// count moves by along_normal_mm[k] along its outward normal.
struct NoiseMode {
  std::size_t first = 0;
  std::vector<double> along_normal_mm;
};

/// The local edge noise as independent bumps, perimeter / correlation_length_mm of them but 8 at
/// least and `most` at most. Squares of neighbours add up to sigma_mm^2 at every point.
std::vector<NoiseMode> noise_modes(const Contour& contour, std::size_t most);

/// 95 % expanded uncertainty (k = 2) normal to the curve at every point.
std::vector<double> u95_normal_mm(const Contour& contour);

/// Outward unit normals of a counter-clockwise polygon by central difference.
PolygonMm outward_normals(const PolygonMm& polygon);

}  // namespace panecard
