#include "pattern/offset.h"

namespace panecard::pattern {

OffsetCurves::OffsetCurves(const PolygonMm& line) : line_(line) {
  const std::size_t n = line.size();
  tangent_.reserve(n);
  length_.reserve(n);
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm along = line[next(i)] - line[i];
    length_.push_back(norm(along));
    tangent_.push_back(unit(along));
  }
  turn_.reserve(n);
  half_tan_.reserve(n);
  for (std::size_t i = 0; i < n; ++i) {
    turn_.push_back(turn_between(tangent_[before(i)], tangent_[i]));
    half_tan_.push_back(std::tan(turn_.back() / 2));
  }
}

}  // namespace panecard::pattern
