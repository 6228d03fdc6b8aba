// Offset curves of a closed line, or of a part of it, at one distance (mm, outwards positive).
#pragma once

#include <cmath>
#include <vector>

#include "pattern/line.h"
#include "pattern/parallel.h"

namespace panecard::pattern {

/// Edges are moved along their normals. At a vertex: an arc on the convex side; on the concave side
/// a path through the vertex, so that winding numbers stay right; a mitre where the difference is
/// negligible.
class OffsetCurves {
 public:
  explicit OffsetCurves(const PolygonMm& line);

  std::size_t size() const { return line_.size(); }
  std::size_t next(std::size_t i) const { return i + 1 == size() ? 0 : i + 1; }
  std::size_t before(std::size_t i) const { return i == 0 ? size() - 1 : i - 1; }
  std::size_t between(std::size_t i, std::size_t j) const {  ///< the vertex halfway from i on to j
    return (i + (j + size() - i) % size() / 2) % size();
  }
  PointMm point(std::size_t i) const { return line_[i]; }
  PointMm tangent(std::size_t edge) const { return tangent_[edge]; }
  PointMm normal(std::size_t edge) const { return outward(tangent_[edge]); }
  double length(std::size_t edge) const { return length_[edge]; }
  double turn(std::size_t vertex) const { return turn_[vertex]; }

  /// @param tags       one per edge
  /// @param at_vertex  the tag around an edge's end: (edge, tag) -> tag
  template <typename AtVertex>
  TaggedLine closed(double d, const std::vector<int>& tags, const AtVertex& at_vertex) const {
    TaggedLine out;
    out.points.reserve(2 * size());
    out.tag.reserve(2 * size());
    for (std::size_t i = 0; i < size(); ++i) add_vertex(out, i, d, tags, at_vertex);
    return out;
  }

  /// From vertex to vertex with square ends; the whole line when both are the same vertex.
  template <typename AtVertex>
  TaggedLine open(std::size_t from, std::size_t to, double d, const std::vector<int>& tags,
                  const AtVertex& at_vertex) const {
    TaggedLine out;
    out.add(line_[from] + d * normal(from), tags[from]);
    for (std::size_t i = next(from); i != to; i = next(i)) add_vertex(out, i, d, tags, at_vertex);
    out.add(line_[to] + d * normal(before(to)), kJoin);
    return out;
  }

 private:
  /// Whether the mitres at both ends leave at least a tenth of the edge's length.
  bool keeps_length(std::size_t edge, double d) const {
    const double lost =
        std::min(0.0, d * half_tan_[edge]) + std::min(0.0, d * half_tan_[next(edge)]);
    return length_[edge] + lost > 0.1 * length_[edge];
  }

  template <typename AtVertex>
  void add_vertex(TaggedLine& out, std::size_t i, double d, const std::vector<int>& tags,
                  const AtVertex& at_vertex) const {
    constexpr double kFlat_mm = 0.0005;  // how far a mitre may reach beyond the arc
    const std::size_t e = before(i);
    const PointMm n1 = normal(e), n2 = normal(i);
    const bool convex_side = d * turn_[i] > 0;
    const double mitre_excess_mm = std::abs(d) * turn_[i] * turn_[i] / 8;
    const bool mitre =
        convex_side ? mitre_excess_mm < kFlat_mm : keeps_length(e, d) && keeps_length(i, d);
    if (d == 0 || mitre) {
      return out.add(line_[i] + (d / (1 + dot(n1, n2))) * (n1 + n2), tags[i]);
    }
    const int around = at_vertex(e, tags[e] == tags[i] ? tags[e] : kJoin);
    if (convex_side) {
      const int steps = arc_steps(d, turn_[i], kChord_mm);
      for (int k = 0; k < steps; ++k) {
        out.add(line_[i] + d * turned(n1, turn_[i] * k / steps), around);
      }
    } else {  // through the vertex itself, so that no winding number goes astray
      out.add(line_[i] + d * n1, around);
      out.add(line_[i], around);
    }
    out.add(line_[i] + d * n2, tags[i]);
  }

  const PolygonMm& line_;
  PolygonMm tangent_;
  std::vector<double> length_, turn_, half_tan_;
};

}  // namespace panecard::pattern
