// The visible light that passes film and glass together.
//
// Light goes through the layers in order, first one first. A layer's figures are those of a
// measurement in air: its front faces the light, its back the next layer.
// Method  incoherent layers: powers add up, phases do not (film and glass are far thicker than a
//         wavelength is coherent). Formulas, sources and limits: docs/optics.md.
#pragma once

#include <optional>
#include <span>
#include <string_view>

#include "base/base.h"

namespace panecard::optics {

/// A part of the light, 0 to 1.
struct Share {
  double value = 0;
  double sigma = 0;      ///< standard uncertainty
  bool rounded = false;  ///< sigma is only that of the digits written
  double u95() const { return 2 * sigma; }
};

/// "35%", "35.5 %", "0.35", each with "+-2%" or "±2%" (95 %) behind it. Without, the figure is
/// taken as rounded at its last digit: a half width of half a unit, evenly spread (JCGM
/// 100, 4.3.7).
/// @retval bad_usage
Result<Share> share_from(std::string_view text);

struct Layer {
  Share transmission;
  std::optional<Share> front, back;  ///< reflected by that side; both or none
};

/// @retval bad_usage  a share outside 0 to 1, one reflectance of a layer without the other, or
///                    more light leaving a side than fell on it
Result<Layer> checked(const Layer& layer);

/// The layers' transmissions multiplied. What they reflect to each other is neglected, so it is
/// never more than passes in truth.
Share product(std::span<const Layer> layers);

/// With air between them, by the adding method; for two layers t1 t2 / (1 - r1' r2), ISO 9050 and
/// EN 410. nullopt unless every layer has its reflectances.
std::optional<Share> with_gaps(std::span<const Layer> layers);

/// One on the other without air between, as glued film is: the measured faces that no longer meet
/// air are taken away first. Layers without reflectances are taken as clear or dyed bodies between
/// two plain faces. nullopt where figures contradict the faces: more light passes or less is
/// reflected than plain faces allow, beyond U95.
std::optional<Share> glued(std::span<const Layer> layers);

/// Reflected by one face of glass or film to air at normal incidence, Fresnel's ((n-1) / (n+1))^2
/// for n from about 1.49 (hard coat) to 1.64 (polyester).
inline constexpr Share kFace{0.045, 0.005};

}  // namespace panecard::optics
