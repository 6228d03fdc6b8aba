// What the library keeps of a result file: whole numbers on a grid much finer than what was
// measured, and everything else of the file as it is. docs/library.md says what is lost.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <vector>

#include "check/check.h"
#include "geom/geom.h"

namespace panecard::library {

constexpr double kGrid_mm = 0.001;     ///< of the outline
constexpr double kGridU95_mm = 0.005;  ///< of its plus-minus, rounded up
constexpr double kGrid_px = 0.1;       ///< of its place in the photo
constexpr double kGridStep_mm = 1e-5;  ///< the grid of the sources is a multiple of this
constexpr std::size_t kMostPoints = 10'000, kMostSources = 300;
constexpr std::size_t kMostHead = 4'000'000, kMostName = 250;  ///< bytes
constexpr std::int64_t kMostSize = std::int64_t{1} << 30U;     ///< of any whole number kept

/// The fields of a result file that are not kept as text.
constexpr std::array<const char*, 6> kPackedFields = {"outline_mm", "outline_u95_mm", "outline_px",
                                                      "seen",       "covariance",     "kept"};

struct GridPoint {
  std::int64_t x = 0, y = 0;
  friend bool operator==(const GridPoint&, const GridPoint&) = default;
};

/// How much coarser shifts along the outline are kept: they leave the curve where it is.
constexpr int kAlongSteps = 4;

/// One source of error at the stations: outwards in steps, along the outline in kAlongSteps steps.
struct KeptSource {
  std::string name;
  std::vector<std::int64_t> outwards, along;
  friend bool operator==(const KeptSource&, const KeptSource&) = default;
};

struct Kept {
  std::string head;  ///< JSON object: the result file without what follows
  std::vector<GridPoint> outline, pixels;
  std::vector<std::int64_t> u95;   ///< in kGridU95_mm
  std::vector<std::int64_t> seen;  ///< 0 or 1
  bool sources_known = false;
  std::vector<std::int64_t> stations;  ///< outline points; between them all is linear
  std::int64_t alike = 0;              ///< in kGrid_mm: the noise is alike over so much
  std::int64_t step = 1;               ///< of noise and sources, in kGridStep_mm
  std::vector<std::int64_t> noise;     ///< at the stations, in steps, rounded up
  std::vector<KeptSource> sources;
  friend bool operator==(const Kept&, const Kept&) = default;
};

/// From a result file's bytes. One that to_result_json wrote comes back exactly.
/// @param name  for messages
/// @retval unreadable_file, too_large
Result<Kept> keep(const std::string& result_json, const std::string& name);

/// The result file again, one field a line and at most some points a line.
std::string to_result_json(const Kept& kept);

PolygonMm outline_of(const Kept& kept);

/// The outline with its sources of error.
check::Shape shape_of(const Kept& kept);

}  // namespace panecard::library
