// Visible transmittance of film and glass together.
//
// Light goes through the layers in order. A layer's figures are those of a measurement in air: its
// front faces the light, its back the next layer. All quantities are fractions of the incident
// light. Method  incoherent layers: intensities add, phases do not (film and glass are thicker than
// the
//         coherence length). Formulas, sources and limits: docs/optics.md.
#pragma once

#include <optional>
#include <span>
#include <string_view>

#include "base/base.h"

namespace panecard::optics {

/// A fraction of the light, 0 to 1, with its uncertainty.
struct Share {
  double value = 0;
  double sigma = 0;      ///< standard uncertainty
  bool rounded = false;  ///< sigma comes from the rounding of the digits alone
  double u95() const { return 2 * sigma; }
};

/// Parses "35%", "35.5 %", "0.35", each optionally followed by "+-2%" or "±2%" (u95). Without it
/// the figure is taken as rounded at its last digit: a rectangular distribution of half width half
/// a unit (JCGM 100:2008, 4.3.7).
/// @retval bad_usage
Result<Share> parse_share(std::string_view text);

struct Layer {
  Share transmission;
  std::optional<Share> front, back;  ///< reflectance of that side; both or none
};

/// @retval bad_usage  a share outside 0 to 1, one reflectance of a layer without the other, or
///                    more light leaving a side than fell on it
Result<Layer> checked(const Layer& layer);

/// Product of the transmittances. Neglects interreflections, so it is a lower bound.
Share product(std::span<const Layer> layers);

/// With air gaps, by the adding method; for two layers t1 t2 / (1 - r1' r2), ISO 9050 and EN 410.
/// nullopt unless every layer has its reflectances.
std::optional<Share> with_gaps(std::span<const Layer> layers);

/// In optical contact, as glued film is: the measured interfaces to air between the layers are
/// removed first. Layers without reflectances are taken as clear or dyed bodies between two plain
/// faces. nullopt where the figures contradict the faces beyond U95: more light is transmitted or
/// less is reflected than plain faces allow.
std::optional<Share> glued(std::span<const Layer> layers);

/// Reflectance of one interface of glass or film to air at normal incidence, Fresnel's
/// ((n-1) / (n+1))^2 for n from about 1.49 (hard coat) to 1.64 (polyester).
inline constexpr Share kFaceReflectance{0.045, 0.005};

}  // namespace panecard::optics
