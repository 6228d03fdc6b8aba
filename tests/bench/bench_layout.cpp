// Density and time of the layout search on open strip-packing instances.
//
//   bench_layout INSTANCE.json [--seconds 30] [--seed 1] [--moves N] [--cpu]
//
// With --cpu the seconds are this process's own, so that a busy machine takes nothing from the
// search. The instances' form: name, strip_height, items with demand, allowed_orientations in
// degrees and a closed list of points. Densities count on the nominal strip height: some files
// carry strips that are 0.01 % higher, for solvers whose pieces never touch.
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
  bool cpu = false;
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

int run(const Options& o) {
  const auto instance = nlohmann::json::parse(std::ifstream(o.path));
  const auto items = items_of(instance);
  layout::Strip strip;
  strip.width_mm = nominal(instance.at("strip_height").get<double>());
  const auto start = std::chrono::steady_clock::now();
  const auto elapsed = [&] {
    if (o.cpu) return static_cast<double>(std::clock()) / CLOCKS_PER_SEC;
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
  };
  double area = 0;
  for (const auto& item : items) area += item.copies * signed_area_mm2(item.shape);
  const auto density = [&](double length) { return 100 * area / (strip.width_mm * length); };
  layout::Effort effort;
  effort.seed = o.seed, effort.moves = o.moves;
  effort.spent = [&] { return elapsed() / o.seconds; };
  effort.shorter = [&](const layout::Layout& l) {
    std::printf("%7.2f s  %.2f\n", elapsed(), density(l.length_mm));
  };
  const auto found = layout::pack(items, strip, effort);
  if (!found.ok()) {
    std::fprintf(stderr, "bench_layout: %s\n", found.error().detail.c_str());
    return 2;
  }
  std::printf("%s: length %.4f, %.2f s%s\n", instance.at("name").get<std::string>().c_str(),
              found->length_mm, elapsed(), found->shortest ? ", proven shortest" : "");
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
