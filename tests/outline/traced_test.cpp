// Contours as the program traces them from photos: their errors are smooth and larger than sigma.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <string>
#include <vector>

#include "outline/outline.h"

using namespace panecard;
using namespace panecard::outline;

namespace {

Contour traced(const std::string& file) {
  std::ifstream in(std::string(PANECARD_TEST_DATA "/") + file);
  Contour contour;
  contour.correlation_length_mm = 6;
  double sigma = 0;
  int seen = 0;
  for (PointMm p; in >> p.x >> p.y >> sigma >> seen;) {
    contour.points.push_back(p);
    contour.sigma_mm.push_back(sigma);
    contour.seen.push_back(seen != 0);
  }
  REQUIRE(contour.points.size() > 400);
  return contour;
}

/// Truth: the geometry that the photos were rendered from (data/README.md).
struct Pane {
  const char* file;
  int edges;
  std::vector<double> radii_mm;  ///< of the corners, ascending
  double long_mm, short_mm;      ///< smallest box
};

}  // namespace

TEST_CASE(
    "traced contours come back as the pane's edges and corners, with radii true within their u95") {
  const std::vector<Pane> panes = {
      {"traced_slider.txt", 4, {14, 14, 14, 14}, 486.0, 412.0},
      {"traced_quarter.txt", 4, {40, 48, 55, 60}, 492.73, 454.39},
      {"traced_vent.txt", 3, {25, 28, 35}, 295.42, 270.0},
  };
  for (const Pane& pane : panes) {
    CAPTURE(pane.file);
    const Contour contour = traced(pane.file);
    const auto result = fit(contour);
    REQUIRE(result.ok());
    int edges = 0;
    std::vector<Dimension> radii;
    for (const Piece& piece : result->pieces) {
      CHECK(piece.kind != PieceKind::free);
      CHECK(std::abs(piece.sweep_rad) < 3.2);
      edges += piece.corner ? 0 : 1;
      if (piece.corner) radii.push_back(piece.radius);
    }
    std::sort(radii.begin(), radii.end(),
              [](const Dimension& a, const Dimension& b) { return a.value < b.value; });
    CHECK(edges == pane.edges);
    CHECK(radii.size() == pane.radii_mm.size());
    for (std::size_t k = 0; k < std::min(radii.size(), pane.radii_mm.size()); ++k) {
      CAPTURE(k);
      CHECK(std::abs(radii[k].value - pane.radii_mm[k]) <= radii[k].u95);
      CHECK(radii[k].u95 <= 0.1 * pane.radii_mm[k]);
    }
    // The data carry no scale or lens modes, so the box is held to what the photo itself allows.
    CHECK(std::abs(result->long_mm.value - pane.long_mm) <= 0.4);
    CHECK(std::abs(result->short_mm.value - pane.short_mm) <= 0.4);
  }
}

TEST_CASE("sides of a traced slider are straight or as good as") {
  const auto result = fit(traced("traced_slider.txt"));
  REQUIRE(result.ok());
  for (const Piece& piece : result->pieces) {
    if (piece.corner || piece.kind == PieceKind::line) continue;
    CHECK(piece.length_mm.value * std::abs(piece.sweep_rad) / 8 <= 0.3);  // sagitta
  }
}
