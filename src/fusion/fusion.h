// Statistics over several outlines: fuses repeated measurements of one pane, retrieves an outline
// by its shape, compresses modes. Lengths in mm; u95 is expanded, k = 2. No file, no storage.
//
// Method  ICP registration, inverse-variance weights, covariance by modes (JCGM 100:2008, 5.2);
//         complex area moments for retrieval (Flusser 2000). Choices: docs/fusion.md.
#pragma once

#include <array>
#include <complex>
#include <cstdint>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "base/base.h"
#include "check/check.h"
#include "geom/geom.h"
#include "outline/outline.h"

namespace panecard::fusion {

/// One measurement of the pane, and what it may have in common with others.
struct Measured {
  std::int64_t number = 0;  ///< for messages
  check::Shape shape;
  std::string boundary, lens;
  std::set<std::string> cards;  ///< empty: not known
};

/// Chi-square test of one measurement against the mean of the others.
struct Consistency {
  std::int64_t measurement = 0;
  double chi_square = 0, degrees = 0, chance = 1;  ///< chance: p-value
  double largest_mm = 0;                           ///< largest distance from the others' mean
};

struct Combined {
  Contour contour;
  outline::Outline outline;
  std::vector<Consistency> tests;  ///< in the order of the measurements
  /// The measurement of smallest p-value, if that is below 1 % for all tests together (Bonferroni).
  /// Of two measurements it cannot be said which one is wrong.
  std::optional<std::int64_t> disagrees;
  double median_u95_before_mm = 0, median_u95_mm = 0;  ///< along the outlines, of their shape
};

/// Registers the measurements, tests them against each other and averages them point by point with
/// inverse-variance weights.
/// @retval bad_usage  fewer than two, or measurements that cannot be combined, and why
/// @retval too_large
Result<Combined> combine(const std::vector<Measured>& all);

/// The same covariance in fewer modes, to within a hundredth: principal components per source. What
/// is left out is added to the local noise, so that no point's variance shrinks.
Contour with_fewer_modes(const Contour& contour);

constexpr std::size_t kMoments = 14;

/// A pane's shape as complex area moments about the centroid.
struct Moments {
  float radius_mm = 0;  ///< of the circle of the same area
  /// c_pq / (area radius^(p+q-1)), mm: of orders 2 to 6, p >= q
  std::array<std::complex<float>, kMoments> c{};
};

/// @param outline  three points or more, with an area
Moments moments_of(const PolygonMm& outline);

/// The rotation of one shape that is nearest to another, and the distance of their moments then.
struct Rotation {
  double rad = 0;
  bool mirrored = false;  ///< the shape is first mirrored, x to -x
  double distance_mm = 0;
};

/// How far an outline is from the query, once registered to it.
struct Similarity {
  bool mirrored = false;
  double gap_mm = 0;      ///< largest, of either kind
  double gap_u95_mm = 0;  ///< of the difference where it is largest
  double rms_mm = 0;
  bool within_u95 = false;  ///< no difference is significant (95 %, all points together)
};

/// An outline to be retrieved from many.
class Query {
 public:
  struct Candidate {
    std::size_t at = 0;  ///< among the shapes given
    Rotation rotation;
  };

  /// @param shape  with an area
  explicit Query(const check::Shape& shape);

  /// The shapes nearest to this one by their moments, nearest first.
  std::vector<Candidate> candidates(const std::vector<Moments>& shapes, std::size_t most) const;
  /// Registers the query to one of them, starting from the rotation that the moments give.
  Similarity similarity_to(const check::Shape& other, const Rotation& rotation) const;

 private:
  PolygonMm points_, flipped_;  ///< evenly spaced, few
  std::vector<double> u95_mm_;  ///< of points_; of flipped_ read backwards
  double correlation_mm_ = 0;
  Moments moments_;
  std::array<float, kMoments> noise_;
};

}  // namespace panecard::fusion
