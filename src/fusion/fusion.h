// Outlines against outlines by their statistics: several measurements of one pane as one, an
// outline found again among many by its shape, and many sources of error as few. No file, no
// storage.
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

/// Chi-square of what a measurement is off from the others' mean, and its chance.
struct Consistency {
  std::int64_t measurement = 0;
  double chi_square = 0, degrees = 0, chance = 1;
  double largest_mm = 0;  ///< off from the others' mean
};

struct Combined {
  Contour contour;
  outline::Outline outline;
  std::vector<Consistency> tests;  ///< in the order of the measurements
  /// The one that fits the others least, when that is no chance (1 %, all tests together). Of two
  /// it cannot be said which.
  std::optional<std::int64_t> disagrees;
  double median_u95_before_mm = 0, median_u95_mm = 0;  ///< along the outlines, of their shape
};

/// Laid on each other, tested against each other, averaged along the outline by how certain each
/// is where.
/// @retval bad_usage  fewer than two, or measurements that cannot be combined, and why
/// @retval too_large
Result<Combined> combine(const std::vector<Measured>& all);

/// The same with fewer sources of error: what is left out goes to the local noise, so that no point
/// becomes more certain.
Contour with_fewer_sources(const Contour& contour);

constexpr std::size_t kMoments = 14;

/// What a pane's shape is like, however it lies: area moments as complex numbers.
struct Moments {
  float radius_mm = 0;  ///< of the circle of the same area
  /// c_pq / (area radius^(p+q-1)), mm: of orders 2 to 6, p >= q
  std::array<std::complex<float>, kMoments> c{};
};

/// @param outline  three points or more, with an area
Moments moments_of(const PolygonMm& outline);

/// The rotation of one shape that makes it most like another, and how far apart they are then.
struct Turn {
  double rad = 0;
  bool mirrored = false;  ///< the shape is first mirrored, x to -x
  double apart_mm = 0;
};

/// How far an outline is from the one asked for, once laid on it.
struct Likeness {
  bool mirrored = false;
  double gap_mm = 0;      ///< largest, of either kind
  double gap_u95_mm = 0;  ///< of the difference where it is largest
  double rms_mm = 0;
  bool within_u95 = false;  ///< nowhere more apart than chance has it in 95 of 100 cases
};

/// An outline that is looked for among many.
class Query {
 public:
  struct Candidate {
    std::size_t at = 0;  ///< among the shapes given
    Turn turn;
  };

  /// @param shape  with an area
  explicit Query(const check::Shape& shape);

  /// The shapes most like this one, the most alike first.
  std::vector<Candidate> candidates(const std::vector<Moments>& shapes, std::size_t most) const;
  /// Laid on one of them, from the rotation that its moments give.
  Likeness laid_on(const check::Shape& other, const Turn& turn) const;

 private:
  PolygonMm points_, flipped_;  ///< evenly spaced, few
  std::vector<double> u95_mm_;  ///< of points_; of flipped_ read backwards
  double correlation_mm_ = 0;
  Moments moments_;
  std::array<float, kMoments> noise_;
};

}  // namespace panecard::fusion
