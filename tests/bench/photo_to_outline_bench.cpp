// What a photo costs: decoding by OpenCV as the yardstick, our loading, each stage, the whole.
// Beside the time stands the peak memory, and for the whole the plus-minus of the long side: faster
// or smaller while measuring worse is a regression too.
#include <benchmark/benchmark.h>

#include <fstream>
#include <opencv2/imgcodecs.hpp>
#include <string>

#include "whole/pipeline.h"

namespace panecard {
namespace {

const std::string kPhoto = PANECARD_SAMPLES "/door-front-four-cards/photo.jpg";

/// The largest resident size since the last call. (Linux: writing 5 resets the mark, proc(5).)
double peak_mb_since_reset() {
  double peak_kb = 0;
  std::ifstream status("/proc/self/status");
  for (std::string line; std::getline(status, line);) {
    if (line.rfind("VmHWM:", 0) == 0) peak_kb = std::stod(line.substr(6));
  }
  std::ofstream("/proc/self/clear_refs") << "5";
  return peak_kb / 1024;
}

photo::Photo loaded(benchmark::State& state) {
  auto photo = photo::load(kPhoto);
  if (!photo.ok()) state.SkipWithError(photo.error().detail.c_str());
  return photo.ok() ? std::move(photo).value() : photo::Photo{};
}

photo::Lens lens_of(const photo::Photo& photo) {
  const int width = photo.bgr.cols, height = photo.bgr.rows;
  return photo::find_lens(photo.exif, width, height, {PANECARD_LENSES})
      .value_or(photo::lens_from_exif(photo.exif, width, height));
}

void opencv_imread(benchmark::State& state) {
  peak_mb_since_reset();
  for (auto _ : state) {
    cv::Mat pixels = cv::imread(kPhoto);
    benchmark::DoNotOptimize(pixels.data);
  }
  state.counters["peak_MB"] = peak_mb_since_reset();
}

void load(benchmark::State& state) {
  peak_mb_since_reset();
  for (auto _ : state) {
    auto photo = photo::load(kPhoto);
    benchmark::DoNotOptimize(&photo);
  }
  state.counters["peak_MB"] = peak_mb_since_reset();
}

void detect_cards(benchmark::State& state) {
  const photo::Photo photo = loaded(state);
  const photo::Lens lens = lens_of(photo);
  for (auto _ : state) {
    auto cards = card::detect_cards(photo, lens, {});
    benchmark::DoNotOptimize(&cards);
  }
}

void fit_plane(benchmark::State& state) {
  const photo::Photo photo = loaded(state);
  const photo::Lens lens = lens_of(photo);
  const auto cards = card::detect_cards(photo, lens, {});
  if (!cards.ok()) return state.SkipWithError(cards.error().detail.c_str());
  for (auto _ : state) {
    auto plane = card::fit_plane(cards.value(), lens);
    benchmark::DoNotOptimize(&plane);
  }
}

void trace_glass(benchmark::State& state) {
  const photo::Photo photo = loaded(state);
  const photo::Lens lens = lens_of(photo);
  const auto cards = card::detect_cards(photo, lens, {});
  if (!cards.ok()) return state.SkipWithError(cards.error().detail.c_str());
  const auto plane = card::fit_plane(cards.value(), lens);
  if (!plane.ok()) return state.SkipWithError(plane.error().detail.c_str());
  for (auto _ : state) {
    auto traced = trace::trace(photo, plane.value(), cards.value(), {});
    benchmark::DoNotOptimize(&traced);
  }
}

void photo_to_outline(benchmark::State& state) {
  double u95_mm = 0;
  peak_mb_since_reset();
  for (auto _ : state) {
    const photo::Photo photo = loaded(state);
    auto outline = whole::measure(photo, lens_of(photo), {});
    benchmark::DoNotOptimize(&outline);
    if (!outline.ok()) return state.SkipWithError(outline.error().detail.c_str());
    u95_mm = outline->long_mm.u95;
  }
  state.counters["peak_MB"] = peak_mb_since_reset();
  state.counters["long_u95_mm"] = u95_mm;
}

BENCHMARK(opencv_imread)->Unit(benchmark::kMillisecond)->UseRealTime();
BENCHMARK(load)->Unit(benchmark::kMillisecond)->UseRealTime();
BENCHMARK(detect_cards)->Unit(benchmark::kMillisecond)->UseRealTime();
BENCHMARK(fit_plane)->Unit(benchmark::kMillisecond)->UseRealTime();
BENCHMARK(trace_glass)->Unit(benchmark::kMillisecond)->UseRealTime();
BENCHMARK(photo_to_outline)->Unit(benchmark::kMillisecond)->UseRealTime();

}  // namespace
}  // namespace panecard

BENCHMARK_MAIN();
