// What tests of the whole ask of the room measure: photos in memory, taken with a lens that is
// known.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "measure/measure.h"

namespace panecard::whole {

struct Wanted {
  trace::Boundary boundary = trace::Boundary::glass;
  std::optional<card::PlainSize> plain;
  std::optional<measure::Bow> bow = {};
};

/// Several photos of one pane; all taken with one lens.
inline Result<model::Measurement> measure(const std::vector<photo::Photo>& photos,
                                          const photo::Lens& lens, const Wanted& wanted) {
  measure::Options options;
  options.boundary = wanted.boundary;
  options.plain = wanted.plain;
  options.bow = wanted.bow;
  options.lens = lens;
  measure::Photos named;
  for (const photo::Photo& photo : photos) {
    named.names.push_back("photo " + std::to_string(named.names.size() + 1));
    named.images.push_back(photo);
  }
  named.paths = named.names;
  return panecard::measure::measure(named, options);
}

inline Result<outline::Outline> measure(const photo::Photo& photo, const photo::Lens& lens,
                                        const Wanted& wanted) {
  auto measured = measure(std::vector<photo::Photo>{photo}, lens, wanted);
  if (!measured.ok()) return measured.error();
  return std::move(measured.value().outline);
}

}  // namespace panecard::whole
