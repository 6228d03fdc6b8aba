// Reads from the unrolled photo what is printed: where the solid band ends and the dots after it.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "trace/band_strip.h"

namespace panecard::trace {

/// Mean light of stretches of the strip, as gradients across the band in units of their own
/// clutter. A pane's print adds light where the cabin shows and only there; reflections add their
/// own on top, so a stretch is (reflections) + (cabin light) * (the print's one profile).
struct BandProfiles {
  int block_columns = 0;
  double row_mm = 0;
  Eigen::ArrayXXd mean;      ///< rows x blocks, linear light
  Eigen::ArrayXXd gradient;  ///< rows x blocks, over the block's clutter; 0 where not valid
  Eigen::ArrayXXd valid;     ///< 1 or 0
  int rows() const { return static_cast<int>(gradient.rows()); }
  int blocks() const { return static_cast<int>(gradient.cols()); }
};
BandProfiles profiles_of(const BandStrip& strip);

/// The print's profile across the band, about a path that runs parallel to it.
struct BandTemplate {
  std::vector<int> path;     ///< strip row per block
  std::vector<double> sign;  ///< per block: -1 where the print is brighter than the cabin behind
  int half = 0;              ///< index of the path in the arrays below
  Eigen::ArrayXd gradient;   ///< shared by all stretches
  Eigen::ArrayXd t_value;    ///< gradient over its standard error
};

/// Finds the path along which the stretches share one profile. `near_row` steers it: per block, a
/// strip row or NaN.
BandTemplate find_template(const BandProfiles& profiles, const std::vector<double>& near_row,
                           double near_sigma_rows);

/// What the template shows; places are rows relative to the path.
struct BandPrint {
  double solid_row = 0;  ///< steepest rise: the solid part's inner edge
  struct Dots {
    double first_row = 0;                 ///< outer flank of the outermost row
    double outer_row = 0, inner_row = 0;  ///< flanks of the innermost row
    double centre_row = 0;                ///< of the innermost row
    double radius_mm = 0, pitch_mm = 0;
    double limit_row = 0;  ///< far side of its dots
  };
  std::optional<Dots> dots;
  int rows_of_dots = 0;
};
std::optional<BandPrint> read_print(const BandStrip& strip, const BandProfiles& profiles,
                                    const BandTemplate& shape);

/// Where one stretch shows a part of the template.
struct BandSight {
  double row = 0, sigma_rows = 0;
  bool seen = false;
};
/// Matches the template between two rows (relative to the path) stretch by stretch; the result is
/// the row of `mark` (relative to the path too) in each.
std::vector<BandSight> locate(const BandProfiles& profiles, const BandTemplate& shape,
                              double from_row, double to_row, double mark);

}  // namespace panecard::trace
