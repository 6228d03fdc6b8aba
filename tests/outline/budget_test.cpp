// Where a dimension's uncertainty comes from, source by source.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <random>

#include "outline/outline.h"
#include "outline/shapes.h"

using namespace panecard;
using namespace panecard::outline;
using namespace panecard::test;

namespace {

const RoundedPolygon kQuad{{{-400, -250}, {420, -230}, {330, 260}, {-180, 240}}, 40};

std::vector<Dimension> dimensions(const Outline& o) {
  std::vector<Dimension> all = {o.long_mm, o.short_mm, o.area_mm2, o.perimeter_mm};
  all.insert(all.end(), o.diagonals_mm.begin(), o.diagonals_mm.end());
  for (const Piece& p : o.pieces) {
    all.push_back(p.length_mm);
    if (p.kind == PieceKind::arc) all.insert(all.end(), {p.radius, p.sagitta_mm});
    if (p.corner) all.push_back(p.angle_deg);
  }
  return all;
}

void check_squares_add_up(const Outline& o) {
  for (const Dimension& d : dimensions(o)) {
    REQUIRE(d.parts.size() == o.sources.size());
    double sum = 0;
    for (const double part : d.parts) sum += part * part;
    CHECK(std::abs(std::sqrt(sum) - d.u95) <= 1e-6 * d.u95 + 1e-12);
    CHECK(d.u95 > 0);
  }
}

double part(const Outline& o, const Dimension& d, const SourceName& source) {
  const auto at = std::find(o.sources.begin(), o.sources.end(), source);
  REQUIRE(at != o.sources.end());
  return d.parts[static_cast<std::size_t>(at - o.sources.begin())];
}

/// Every point moves along x, more the further out: the length changes by `sigma_mm`.
void add_stretch(Contour& c, double length_mm, double sigma_mm, const SourceName& source) {
  c.modes.emplace_back();
  for (const PointMm p : c.points) c.modes.back().push_back({sigma_mm * p.x / length_mm, 0});
  c.mode_sources.push_back(source);
}

Contour named_quad() {
  Contour c = contour_of(kQuad.points(1.7), 0.1, 8);
  add_plane_modes(c, 5e-4);
  c.mode_sources.assign(c.modes.size(), ErrorSource::corner_noise);
  c.mode_sources.front() = ErrorSource::print_scale;
  return c;
}

}  // namespace

TEST_CASE("the squares of the parts add up to the square of u95, for every dimension") {
  std::mt19937 random(3);
  const auto quad = fit(drawn(named_quad(), random));
  REQUIRE(quad.ok());
  std::vector<SourceName> sources = quad->sources;
  std::sort(sources.begin(), sources.end());
  CHECK(sources == std::vector<SourceName>{ErrorSource::corner_noise, ErrorSource::edge_noise,
                                           ErrorSource::fit, ErrorSource::print_scale});
  check_squares_add_up(quad.value());

  // A rough contour without names, whose noise is larger than it says.
  Contour rough = contour_of(read_points("quarter.txt"), 0.4, 8);
  rough = drawn(rough, random);
  std::fill(rough.sigma_mm.begin(), rough.sigma_mm.end(), 0.1);
  const auto pane = fit(rough);
  REQUIRE(pane.ok());
  check_squares_add_up(pane.value());
  CHECK(part(pane.value(), pane->long_mm, ErrorSource::fit) >
        part(pane.value(), pane->long_mm, ErrorSource::edge_noise));
}

TEST_CASE("a contour that no pieces describe has a budget as well") {
  PolygonMm star;
  for (int i = 0; i < 1200; ++i) {
    const double a = 2 * std::acos(-1.0) * i / 1200;
    const double r = 200 + 5 * std::sin(61 * a) + 5 * std::sin(47 * a + 1);
    star.push_back({r * std::cos(a), r * std::sin(a)});
  }
  Contour contour = contour_of(star, 0.05, 5);
  add_plane_modes(contour, 1e-3);
  contour.mode_sources.assign(contour.modes.size(), ErrorSource::corner_noise);
  const auto result = fit(contour);
  REQUIRE(result.ok());
  REQUIRE(result->pieces.size() == 1);
  CHECK(result->pieces[0].kind == PieceKind::free);
  check_squares_add_up(result.value());
}

TEST_CASE("the end gauge of JCGM 100:2008, H.1: its four contributions and their sum") {
  // Table H.1: 25, 9.7, 2.9 and 16.6 nm, u_c = 32 nm (31.7 before rounding). Here micrometres.
  const RoundedPolygon gauge{{{-230, -100}, {230, -100}, {230, 100}, {-230, 100}}, 10};
  Contour contour = contour_of(gauge.points(1.5), 0, 3);
  const std::vector<std::pair<SourceName, double>> inputs = {
      {SourceName("standard"), 0.025},
      {SourceName("comparator"), 0.0097},
      {SourceName("difference of expansion"), 0.0029},
      {SourceName("difference of temperature"), 0.0166}};
  for (const auto& [source, sigma] : inputs) add_stretch(contour, 460, sigma, source);
  const auto result = fit(contour);
  REQUIRE(result.ok());
  for (const auto& [source, sigma] : inputs) {
    CAPTURE(source.text());
    CHECK(std::abs(part(result.value(), result->long_mm, source) - 2 * sigma) <= 2 * 0.00005);
    CHECK(part(result.value(), result->short_mm, source) <= 1e-4);
  }
  CHECK(std::abs(result->long_mm.u95 / 2 - 0.0317) <= 0.00005);
}

TEST_CASE("each part is what Monte Carlo finds when that source alone is drawn (JCGM 101)") {
  const Contour contour = named_quad();
  const auto nominal = fit(contour);
  REQUIRE(nominal.ok());
  constexpr int kDraws = 200;
  int compared = 0;
  for (const ErrorSource source :
       {ErrorSource::print_scale, ErrorSource::corner_noise, ErrorSource::edge_noise}) {
    std::mt19937 random(11);
    Contour alone = contour;
    for (std::size_t m = 0; m < alone.modes.size(); ++m) {
      if (alone.mode_sources[m] != source)
        std::fill(alone.modes[m].begin(), alone.modes[m].end(), PointMm{});
    }
    if (source != ErrorSource::edge_noise)
      std::fill(alone.sigma_mm.begin(), alone.sigma_mm.end(), 0.0);
    std::vector<std::vector<double>> values;
    for (int draw = 0; draw < kDraws; ++draw) {
      Contour moved = contour;
      moved.points = drawn(alone, random).points;
      const auto result = fit(moved);
      REQUIRE(result.ok());
      const std::vector<Dimension> all = dimensions(result.value());
      if (all.size() != dimensions(nominal.value()).size()) continue;  // other pieces chosen
      values.emplace_back();
      for (const Dimension& d : all) values.back().push_back(d.value);
    }
    const double n = static_cast<double>(values.size());
    CHECK(values.size() > 0.9 * kDraws);
    const std::vector<Dimension> all = dimensions(nominal.value());
    for (std::size_t k = 0; k < all.size(); ++k) {
      double mean = 0, square = 0;
      for (const auto& v : values) mean += v[k] / n;
      for (const auto& v : values) square += (v[k] - mean) * (v[k] - mean) / (n - 1);
      const double stated = part(nominal.value(), all[k], source) / 2;
      CAPTURE(text(source));
      CAPTURE(k);
      CAPTURE(stated);
      CAPTURE(std::sqrt(square));
      // A standard deviation from n draws is known to 1 / sqrt(2 n); three of these, and what the
      // fit's own tolerance of 1e-3 mm leaves.
      CHECK(std::abs(std::sqrt(square) - stated) <= 3 * stated / std::sqrt(2 * n) + 1e-3);
      ++compared;
    }
  }
  CHECK(compared >= 3 * 20);
}
