#include <array>
#include <cmath>
#include <utility>

#include "measure/measure.h"

namespace panecard::measure {
namespace {

constexpr std::array kBoundaries = {std::pair{trace::Boundary::glass, std::string_view("glass")},
                                    std::pair{trace::Boundary::solid, std::string_view("solid")},
                                    std::pair{trace::Boundary::dots, std::string_view("dots")}};

Error not_a_length(const std::string& what, double mm, const std::string& say) {
  return {Code::bad_usage, what + " " + to_text(mm, 2) + " mm: " + say};
}

}  // namespace

std::string_view name_of(trace::Boundary boundary) {
  for (const auto& [known, name] : kBoundaries) {
    if (known == boundary) return name;
  }
  return {};
}

std::optional<trace::Boundary> boundary_named(std::string_view name) {
  for (const auto& [boundary, known] : kBoundaries) {
    if (known == name) return boundary;
  }
  return std::nullopt;
}

std::optional<Bow> bow_from_depth(double depth_mm, double chord_mm) {
  constexpr double kLeastChord_mm = 50, kSigmaDepth_mm = 0.3;
  if (!(chord_mm >= kLeastChord_mm) || !(depth_mm >= 0) || !(depth_mm <= chord_mm / 4)) {
    return std::nullopt;
  }
  const double square = chord_mm * chord_mm;
  return Bow{8 * depth_mm / (square + 4 * depth_mm * depth_mm), 8 * kSigmaDepth_mm / square};
}

std::optional<Bow> bow_from_radius(double radius_mm) {
  constexpr double kLeast_mm = 200, kSigmaShare = 0.05;
  if (!(radius_mm >= kLeast_mm)) return std::nullopt;
  return Bow{1 / radius_mm, kSigmaShare / radius_mm};
}

std::optional<Error> check(const Options& options) {
  constexpr double kMostGlass_mm = 30, kMostCard_mm = 20, kMostPrintError_mm = 3;
  if (const auto glass = options.glass_thickness_mm;
      glass && !(*glass > 0 && *glass <= kMostGlass_mm)) {
    return not_a_length("glass thickness", *glass, "give a length up to 30 mm, as 3.2mm");
  }
  if (const auto card = options.card_thickness_mm; card && !(*card >= 0 && *card <= kMostCard_mm)) {
    return not_a_length("card thickness", *card, "give a length up to 20 mm, as 0.76mm");
  }
  if (!(std::abs(options.printed_bar_mm - kCheckBar_mm) <= kMostPrintError_mm)) {
    return Error{Code::bad_usage,
                 "a check bar of " + to_text(options.printed_bar_mm, 1) +
                     " mm is outside 97 to 103 mm: the page was fitted to the paper; "
                     "print the cards again at 100 %"};
  }
  return std::nullopt;
}

}  // namespace panecard::measure
