// Density and time of the layout search on open strip-packing instances.
//
//   bench_layout INSTANCE.json | --car [--seconds 30] [--seed 1] [--moves N] [--cpu]
//
// --car: nine invented panes (two front doors, two rear doors, two quarters, a rear pane in three
// parts) on film of 1016 mm, with a gap and a free edge. With --cpu the seconds
// are this process's own, so that a busy machine takes nothing from the search. The instances'
// form: name, strip_height, items with demand, allowed_orientations in degrees and a closed list of
// points. Densities count on the nominal strip height: some files carry strips that are 0.01 %
// higher, for solvers whose pieces never touch.
#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "layout/layout.h"

namespace {

using namespace panecard;  // NOLINT(google-build-using-namespace)

struct Options {
  std::string path;
  double seconds = 30;
  std::uint64_t seed = 1;
  std::int64_t moves = std::int64_t{1} << 60;
  bool cpu = false, car = false;
};

struct Job {
  std::string name;
  std::vector<layout::Item> items;
  layout::Strip strip;
};

/// The height without the hundredth of a per cent, where that is a rounder number.
double nominal(double height) {
  constexpr double kSurplus = 1.0001, kRounding = 1e-7;
  const double without = height / kSurplus;
  return std::abs(without - std::round(without)) < kRounding * without ? std::round(without)
                                                                       : height;
}

std::vector<layout::Item> items_of(const nlohmann::json& instance) {
  std::vector<layout::Item> items;
  for (const auto& entry : instance.at("items")) {
    layout::Item item;
    item.name = entry.at("id").dump();
    item.copies = entry.at("demand").get<int>();
    item.turns_deg = entry.at("allowed_orientations").get<std::vector<double>>();
    for (const auto& p : entry.at("shape").at("data")) {
      item.shape.push_back({p.at(0).get<double>(), p.at(1).get<double>()});
    }
    if (item.shape.size() > 1 && distance(item.shape.front(), item.shape.back()) == 0) {
      item.shape.pop_back();
    }
    if (signed_area_mm2(item.shape) < 0) std::reverse(item.shape.begin(), item.shape.end());
    items.push_back(std::move(item));
  }
  return items;
}

Job job_from(const std::string& path) {
  const auto instance = nlohmann::json::parse(std::ifstream(path));
  return {instance.at("name").get<std::string>(),
          items_of(instance),
          {nominal(instance.at("strip_height").get<double>()), 0, 0}};
}

/// A pane with four corners and sides that are arcs, each with its height over the chord.
PolygonMm pane(const std::vector<PointMm>& corners, const std::vector<double>& heights_mm) {
  constexpr int kChords = 12;
  PolygonMm out;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    const PointMm a = corners[i], along = corners[(i + 1) % corners.size()] - a;
    const PointMm outwards = (1 / norm(along)) * PointMm{along.y, -along.x};
    for (int k = 0; k < kChords; ++k) {
      const double t = static_cast<double>(k) / kChords;
      out.push_back(a + t * along + 4 * t * (1 - t) * heights_mm[i] * outwards);
    }
  }
  return out;
}

Job car() {
  Job job{"car", {}, {1016, 4, 5}};
  const auto add = [&](const std::string& name, const PolygonMm& shape, bool pair) {
    job.items.push_back({name, shape, {0, 90, 180, 270}, false, 1});
    if (!pair) return;
    PolygonMm twin(shape.rbegin(), shape.rend());
    for (PointMm& p : twin) p.x = -p.x;
    job.items.push_back({name + " twin", twin, {0, 90, 180, 270}, false, 1});
  };
  add("front door", pane({{0, 0}, {880, 20}, {820, 430}, {420, 450}}, {6, 10, 25, 20}), true);
  add("rear door", pane({{0, 0}, {700, 10}, {640, 300}, {450, 420}, {30, 440}}, {5, 8, 20, 22, 8}),
      true);
  add("quarter", pane({{0, 0}, {330, 40}, {20, 300}}, {8, 18, 6}), true);
  add("rear side", pane({{0, 0}, {470, 0}, {455, 410}, {70, 400}}, {6, 4, 10, 14}), true);
  add("rear middle", pane({{0, 0}, {520, 0}, {510, 412}, {10, 412}}, {8, 4, 10, 4}), false);
  return job;
}

int run(const Options& o) {
  const auto [name, items, strip] = o.car ? car() : job_from(o.path);
  const auto start = std::chrono::steady_clock::now();
  const auto elapsed = [&] {
    if (o.cpu) return static_cast<double>(std::clock()) / CLOCKS_PER_SEC;
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
  };
  double area = 0;
  for (const layout::Item& item : items) area += item.copies * signed_area_mm2(item.shape);
  const auto density = [area, width = strip.width_mm](double length) {
    return 100 * area / (width * length);
  };
  layout::Effort effort;
  effort.seed = o.seed, effort.moves = o.moves;
  effort.spent = [&] { return elapsed() / o.seconds; };
  effort.shorter = [&](const layout::Layout& l) {
    std::printf("%7.2f s  %.2f  %.2f mm\n", elapsed(), density(l.length_mm), l.length_mm);
  };
  const auto found = layout::pack(items, strip, effort);
  if (!found.ok()) {
    std::fprintf(stderr, "bench_layout: %s\n", found.error().detail.c_str());
    return 2;
  }
  std::printf("%s: length %.4f, %.2f s%s\n", name.c_str(), found->length_mm, elapsed(),
              found->shortest ? ", proven shortest" : "");
  std::printf("density %.2f\n", density(found->length_mm));
  return 0;
}

}  // namespace

int main(int argc, char** argv) {
  Options o;
  for (int k = 1; k < argc; ++k) {
    const std::string word = argv[k];
    if (k + 1 < argc && word == "--seconds") {
      o.seconds = std::strtod(argv[++k], nullptr);
    } else if (k + 1 < argc && word == "--seed") {
      o.seed = std::strtoull(argv[++k], nullptr, 10);
    } else if (k + 1 < argc && word == "--moves") {
      o.moves = std::strtoll(argv[++k], nullptr, 10);
    } else if (word == "--cpu") {
      o.cpu = true;
    } else if (word == "--car") {
      o.car = true;
    } else {
      o.path = word;
    }
  }
  try {
    return run(o);
  } catch (const std::exception& e) {
    std::fprintf(stderr, "bench_layout: '%s': %s\n", o.path.c_str(), e.what());
    return 2;
  }
}
