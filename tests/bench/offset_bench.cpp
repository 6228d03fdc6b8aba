// What a parallel curve costs, and how far its points are from where they belong: faster while
// straying further is a regression too.
#include <benchmark/benchmark.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "pattern/pattern.h"

namespace panecard::pattern {
namespace {

/// An oval with three shallow hollows, 900 mm across.
Pane oval(std::size_t points) {
  PolygonMm outline;
  for (std::size_t i = 0; i < points; ++i) {
    const double t = 2 * std::numbers::pi * static_cast<double>(i) / static_cast<double>(points);
    const double r = 400 + 50 * std::cos(2 * t) + 25 * std::cos(3 * t + 1);
    outline.push_back({r * std::cos(t), r * std::sin(t)});
  }
  return divide(outline, std::vector<double>(points, 0.3)).value();
}

double largest_error_mm(const Pane& pane, const Piece& piece, double mm) {
  double worst = 0;
  for (const PointMm p : piece.cut) {
    double least = 1e300;
    for (std::size_t i = 0; i < pane.outline.size(); ++i) {
      const PointMm a = pane.outline[i], along = pane.outline[(i + 1) % pane.outline.size()] - a;
      const double t = std::clamp(dot(p - a, along) / dot(along, along), 0.0, 1.0);
      least = std::min(least, distance(p, a + t * along));
    }
    worst = std::max(worst, std::abs(least - std::abs(mm)));
  }
  return worst;
}

void offset_2000_points(benchmark::State& state) {
  const Pane pane = oval(2000);
  Request request;
  request.rest.mm = static_cast<double>(state.range(0));
  auto piece = make_piece(pane, request);
  for (auto _ : state) {
    piece = make_piece(pane, request);
    benchmark::DoNotOptimize(&piece);
  }
  if (!piece.ok()) return state.SkipWithError(piece.error().detail.c_str());
  state.counters["error_mm"] = largest_error_mm(pane, piece.value(), request.rest.mm);
  state.counters["points"] = static_cast<double>(piece->cut.size());
}
BENCHMARK(offset_2000_points)->Arg(6)->Arg(-6)->Unit(benchmark::kMillisecond);

void divide_2000_points(benchmark::State& state) {
  const PolygonMm outline = oval(2000).outline;
  for (auto _ : state) {
    auto pane = divide(outline, {});
    benchmark::DoNotOptimize(&pane);
  }
}
BENCHMARK(divide_2000_points)->Unit(benchmark::kMillisecond);

void sides_2000_points(benchmark::State& state) {
  const Pane pane = oval(2000);
  Request request;
  request.rest.mm = 4;
  request.sides = {{"bottom", 20, true}, {"top", -2, false}};
  for (auto _ : state) {
    auto piece = make_piece(pane, request);
    benchmark::DoNotOptimize(&piece);
  }
}
BENCHMARK(sides_2000_points)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace panecard::pattern
