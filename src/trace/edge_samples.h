// Where each row of a strip shows the glass edge: the sharpest change across the curve, to a
// fraction of a pixel.
#pragma once

#include <algorithm>
#include <cmath>
#include <vector>

#include "trace/strip.h"

namespace panecard::trace {

/// Of the strip that is looked at: how far it reaches to either side, and from column to column.
constexpr double kEdgeHalf_mm = 2.6, kEdgeColumn_mm = 0.1;

/// A run of rows without an edge shorter than this is as good as seen: the smoothing spans it.
constexpr int kShortRun = 6;

struct Samples {
  std::vector<double> offset_mm;
  std::vector<bool> seen;        ///< whether it is a clear edge
  std::vector<double> along_mm;  ///< averaged over
  std::vector<double> width_mm;  ///< of the change, as the sigma of a blurred step
};

/// What a strip is blurred by across the edge.
struct Blur {
  double own_mm = 0, all_mm = 0;
  explicit Blur(double px_mm)
      : own_mm(std::max(0.2, 0.8 * px_mm)),
        all_mm(std::hypot(own_mm, 0.7 * px_mm)) {}  // optics and demosaicing do so by some 0.7 px
};

/// One sample per row.
Samples samples_of(const Strip& strip, const Blur& blur);

/// What the steps are softer than blur makes them. The sharpest tenth of the boundary shows the
/// photo's blur where that is more than optics leave; a quarter more is the scatter of the widths.
std::vector<double> shading(const Samples& samples, double blur_mm);

}  // namespace panecard::trace
