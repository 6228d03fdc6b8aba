// What a ribbon was settled on, weighed against the other ways past where it is not believed.
#pragma once

#include <optional>
#include <vector>

#include "trace/look.h"
#include "trace/splice.h"

namespace panecard::trace {

struct Settled {
  Ribbon ribbon;
  Materials materials;
};

/// A closed curve along which the glass edge may lie, and the seal's width.
struct Way {
  PolygonMm inner;
  double width_mm;
};

struct Reconsidered {
  Settled best;
  double score;                      ///< its plausibility
  double before;                     ///< that of what was settled on, looked at in the same manner
  std::optional<Settled> runner_up;  ///< the most plausible of what is not nearly the same
};

/// The ways are those that wide looks saw, past the places that are spoken against; straight on
/// there; and one other. Each is looked at as sharply as the others, with nothing known beforehand
/// but what leads there, and they are put together.
Reconsidered reconsider(const View& view, PointMm middle, const Settled& settled,
                        const std::vector<Rays>& against, const std::vector<Around>& looked,
                        const Way& other);

}  // namespace panecard::trace
