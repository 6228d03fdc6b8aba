#include "library/validate.h"

#include <algorithm>
#include <array>
#include <cstdlib>
#include <nlohmann/json.hpp>

#include "library/texts.h"
#include "records/records.h"

namespace panecard::library {
namespace {

using Why = std::optional<std::string>;

// The bounds of a result file, on the grid.
constexpr std::size_t kLeastPoints = 8;
constexpr double kFurthest_mm = 1e5, kFurthest_px = 1e6;

bool within(std::int64_t value, double grid, double most) {
  return static_cast<double>(std::abs(value)) * grid <= most;
}

bool all_within(const std::vector<GridPoint>& points, double grid, double most) {
  return std::all_of(points.begin(), points.end(), [&](const GridPoint p) {
    return within(p.x, grid, most) && within(p.y, grid, most);
  });
}

bool all_lengths(const std::vector<std::int64_t>& values, double grid) {
  return std::all_of(values.begin(), values.end(), [&](std::int64_t v) {
    return v >= 0 && v <= kMostSize && within(v, grid, kFurthest_mm);
  });
}

Why outline_trouble(const Kept& k) {
  if (k.outline.size() < kLeastPoints || k.outline.size() > kMostPoints) {
    return "its outline has " + std::to_string(k.outline.size()) + " points";
  }
  if (!all_within(k.outline, kGrid_mm, kFurthest_mm)) return "its outline is larger than 100 m";
  if (!(signed_area_mm2(outline_of(k)) > 1)) return "its outline does not run counter-clockwise";
  return std::nullopt;
}

Why u95_trouble(const Kept& k) {
  if (k.u95.size() != k.outline.size()) return "a plus-minus is missing";
  if (!all_lengths(k.u95, kGridU95_mm)) return "a plus-minus is out of range";
  return std::nullopt;
}

Why photo_trouble(const Kept& k) {
  if (k.pixels.size() != k.outline.size()) return "its place in the photo is missing";
  if (!all_within(k.pixels, kGrid_px, kFurthest_px))
    return "its place in the photo is out of range";
  if (!k.seen.empty() && k.seen.size() != k.outline.size()) {
    return "it does not say of each point whether it was seen";
  }
  if (std::any_of(k.seen.begin(), k.seen.end(), [](auto s) { return s != 0 && s != 1; })) {
    return "a point is neither seen nor unseen";
  }
  return std::nullopt;
}

Why stations_trouble(const Kept& k) {
  if (k.stations.empty() || k.stations.front() != 0) return "its first station is not point 0";
  if (std::adjacent_find(k.stations.begin(), k.stations.end(), std::greater_equal<>()) !=
      k.stations.end()) {
    return "its stations do not rise";
  }
  if (k.stations.back() >= static_cast<std::int64_t>(k.outline.size())) {
    return "a station is no point of the outline";
  }
  return std::nullopt;
}

Why source_trouble(const KeptSource& source, std::size_t stations, double step_mm) {
  if (refused("its name", source.name, kMostName)) return "the name of a source is no text";
  const auto trouble = [&](const std::vector<std::int64_t>& shifts, double grid_mm) -> Why {
    if (shifts.size() != stations) return "a source has not one shift for each station";
    const auto in_range = [&](std::int64_t v) {
      return std::abs(v) < kMostSize && within(v, grid_mm, kFurthest_mm);
    };
    if (!std::all_of(shifts.begin(), shifts.end(), in_range)) return "a shift is out of range";
    return std::nullopt;
  };
  if (auto why = trouble(source.outwards, step_mm)) return why;
  return trouble(source.along, kAlongSteps * step_mm);
}

Why sources_trouble(const Kept& k) {
  if (!k.sources_known) return std::nullopt;
  if (auto why = stations_trouble(k)) return why;
  if (k.step < 1 || k.step > kMostSize) return "its step is out of range";
  const double step_mm = static_cast<double>(k.step) * kGridStep_mm;
  if (k.noise.size() != k.stations.size()) return "it has not one noise for each station";
  if (!all_lengths(k.noise, step_mm)) return "a noise is out of range";
  if (!all_lengths({k.alike}, kGrid_mm)) return "its noise is alike over an impossible length";
  if (k.sources.size() > kMostSources) return "it has too many sources";
  for (const KeptSource& source : k.sources) {
    if (auto why = source_trouble(source, k.stations.size(), step_mm)) return why;
  }
  return std::nullopt;
}

/// Everything else of the result file, which is parsed and written out again as it is.
Why head_trouble(const Kept& k) {
  if (k.head.size() > kMostHead) return "its fields take over 4 MB";
  if (auto why = records::json_trouble(k.head)) return "its fields are no JSON: " + *why;
  const auto head = nlohmann::json::parse(k.head);
  if (!head.is_object()) return "its fields are no JSON object";
  const auto format = head.find("format");
  if (format == head.end() || *format != "panecard-outline") return "it is no outline";
  const auto boundary = head.find("boundary");
  constexpr std::array<const char*, 3> kBoundaries = {"glass", "solid", "dots"};
  const auto is = [&](const char* name) { return boundary != head.end() && *boundary == name; };
  if (std::none_of(kBoundaries.begin(), kBoundaries.end(), is)) return "its boundary is unknown";
  for (const char* name : kPackedFields) {
    if (head.contains(name)) return "it says \"" + std::string(name) + "\" twice";
  }
  return std::nullopt;
}

}  // namespace

std::optional<std::string> contradiction_in(const Kept& kept, Part part) {
  if (auto why = outline_trouble(kept)) return why;
  if (part == Part::outline) return std::nullopt;
  if (auto why = u95_trouble(kept)) return why;
  if (part == Part::outline_and_u95) return std::nullopt;
  if (auto why = photo_trouble(kept)) return why;
  if (auto why = sources_trouble(kept)) return why;
  return head_trouble(kept);
}

}  // namespace panecard::library
