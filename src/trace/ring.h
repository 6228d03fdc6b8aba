// A first closed curve around the cards: where the car's body ends and the pane's seal begins.
#pragma once

#include <memory>
#include <vector>

#include "base/base.h"
#include "card/card.h"
#include "geom/geom.h"
#include "trace/polar.h"
#include "trace/strip.h"

namespace panecard::trace {

/// Closed paths of least cost in log-polar coordinates about the cards: one along edges alone, the
/// others along edges that have the body's colour on their outer side, with a clear edge further
/// out speaking against them by so much. Each is right where another is misled (trim beside the
/// seal, sky of the body's colour behind the glass), to a few millimetres; often they are the same.
class Rings {
 public:
  /// @param near  rough points on the wanted boundary (mm), may be empty
  /// @retval Code::boundary_not_seen  no closed path inside the photo
  static Result<Rings> find(const Pyramid& photo, const Sight& sight,
                            const std::vector<PolygonMm>& cards, const PolygonMm& near);
  Rings(Rings&&) noexcept;
  Rings& operator=(Rings&&) noexcept;
  ~Rings();

  /// One or more; each counter-clockwise, one point per ray.
  const std::vector<PolygonMm>& curves() const { return curves_; }

  /// For each part of the turn the best path that keeps out of the band between two curves there
  /// and within it elsewhere. The curves are distances from the cards' middle per ray, `inner_mm`
  /// the lesser.
  std::vector<PolygonMm> other_ways(const std::vector<double>& inner_mm,
                                    const std::vector<double>& outer_mm,
                                    const std::vector<Rays>& parts) const;

 private:
  struct Search;
  explicit Rings(std::unique_ptr<Search> search);
  std::unique_ptr<Search> search_;
  std::vector<PolygonMm> curves_;
};

}  // namespace panecard::trace
