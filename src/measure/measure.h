// Photos of one pane into its measurement: lens, cards, plane, boundary, outline and what is known
// about them. The commands, the batch, the page and the tests of the whole all measure through
// here, so that all of them measure alike.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/base.h"
#include "card/card.h"
#include "geom/geom.h"
#include "model/model.h"
#include "photo/photo.h"
#include "trace/trace.h"

namespace panecard::measure {

/// The side of the pane that the camera saw.
enum class Side { outside, inside };

/// "glass", "solid", "dots": as result files and options name a boundary.
std::string_view name_of(trace::Boundary boundary);
std::optional<trace::Boundary> boundary_named(std::string_view name);

/// A bow that was measured by hand. Positive where the pane bulges outwards, as vehicle panes do.
struct Bow {
  double curvature_per_mm = 0;  ///< 0: flat
  double sigma_per_mm = 0;
  bool vertical_axis = false;  ///< bent about an upright axis instead of a level one
};

/// From the depth under a straightedge: 1/R = 8 d / (c^2 + 4 d^2), with d read to 0.3 mm (one
/// standard uncertainty of reading a rule to half a millimetre).
/// @return nothing where no pane is like that: a chord under 50 mm, a depth over a quarter of it
std::optional<Bow> bow_from_depth(double depth_mm, double chord_mm);
/// From a radius that is known to 5 %, as a template held against the pane gives it.
/// @return nothing for less than 200 mm
std::optional<Bow> bow_from_radius(double radius_mm);

inline constexpr double kCheckBar_mm = 100;  ///< on every page of printed cards
inline constexpr std::size_t kMostPhotos = 12;

/// What is wanted, and what was known before.
struct Options {
  trace::Boundary boundary = trace::Boundary::glass;
  std::vector<PointPx> near;  ///< rough places of the boundary in the first photo; may be empty
  std::optional<photo::Lens> lens;  ///< else looked up in `lens_folders` by the photo's EXIF
  std::vector<std::string> lens_folders;
  std::optional<card::PlainSize> plain;  ///< a plain card or paper instead of coded ones
  std::optional<Bow> bow;
  Side seen_from = Side::outside;
  std::optional<double> glass_thickness_mm;  ///< matters for printed bands seen through the glass
  std::optional<double> card_thickness_mm;   ///< of rigid cards; else that of ISO/IEC 7810
  double printed_bar_mm = kCheckBar_mm;      ///< what the check bar of the printed cards measures
};

/// What is out of bounds whatever the photo. @retval bad_usage
std::optional<Error> check(const Options& options);

/// Photos of one pane whose cards stayed where they were.
struct Photos {
  std::vector<std::string> names;    ///< as people know them; errors use these
  std::vector<std::string> paths;    ///< files behind them
  std::vector<photo::Photo> images;  ///< as many
};

/// @param names  instead of the paths; empty: the paths
/// @retval unreadable_file, too_large, bad_usage (none, or more than kMostPhotos)
Result<Photos> load(const std::vector<std::string>& paths, std::vector<std::string> names = {});

/// What is known before a boundary is traced.
struct Prepared {
  std::vector<card::View> views;    ///< cards and lens, per photo
  std::vector<card::Plane> planes;  ///< per photo
  std::vector<Finding> findings;
};

/// Lens, cards and planes.
/// @retval bad_usage  an option, or a lens that is not for photos of this shape
/// @retval card_not_found, card_cut_off, too_blurred, cards_disagree, plane_too_uncertain
Result<Prepared> prepare(const Photos& photos, const Options& options);

/// As trace wants them; they point into both.
std::vector<trace::Shot> shots_of(const Photos& photos, const Prepared& prepared);

/// @retval boundary_not_seen; bad_usage
Result<trace::Traced> trace_boundary(const Photos& photos, const Options& options,
                                     const Prepared& prepared);

/// Outline, dimensions, warnings and the photo's quality: all that a person is shown.
/// @retval degenerate_shape
Result<model::Measurement> summarize(const Photos& photos, const Options& options,
                                     const Prepared& prepared, const trace::Traced& traced);

/// What a result file holds besides: the outline's covariance and the digest of the first photo.
void complete(const Photos& photos, const trace::Traced& traced, model::Measurement& m);

/// All of it. Errors about a photo name it. @retval those of check, prepare, trace_boundary and
/// summarize
Result<model::Measurement> measure(const Photos& photos, const Options& options);

}  // namespace panecard::measure
