// What a ribbon was settled on, weighed against the other ways past where it is not believed.
#pragma once

#include <vector>

#include "trace/look.h"
#include "trace/splice.h"

namespace panecard::trace {

struct Settled {
  Ribbon ribbon;
  Materials materials;
};

/// A closed curve along which the glass edge may lie, and the seal's width (0: any).
struct Way {
  PolygonMm inner;
  double width_mm = 0;
};

struct Reconsidered {
  Settled best;
  double gain = 0;  ///< of plausibility, over what was settled on
  /// The most plausible of what is not nearly the same, and by how much less it is so; infinite for
  /// none.
  Settled runner_up;
  double behind = 0;
};

/// The ways are those that wide looks saw, past the places that are spoken against; straight on
/// there; and any others given. Each is looked at as sharply as the others, with nothing known
/// beforehand but what leads there, and they are put together.
Reconsidered reconsider(const View& view, PointMm middle, const Settled& settled,
                        const std::vector<Rays>& against, const std::vector<Around>& looked,
                        std::vector<Way> others);

}  // namespace panecard::trace
