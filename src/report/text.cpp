#include <algorithm>
#include <cmath>

#include "report/report.h"

namespace panecard::report {
namespace {

constexpr double kMmPerInch = 25.4;

}  // namespace

Said say(const outline::Dimension& d, int most_decimals) {
  int decimals = std::min(most_decimals, 1);
  if (d.u95 > 0 && std::isfinite(d.u95)) {
    const int lead = static_cast<int>(std::floor(std::log10(d.u95)));
    decimals = std::clamp(1 - lead, 0, most_decimals);
  }
  return {fixed(d.value, decimals), fixed(d.u95, decimals)};
}

Said say_length(const outline::Dimension& mm, Units units) {
  if (units == Units::mm) return say(mm, 2);
  return say({mm.value / kMmPerInch, mm.u95 / kMmPerInch}, 3);
}

Said say_area(const outline::Dimension& mm2, Units units) {
  const double unit = units == Units::mm ? 1e6 : 144 * kMmPerInch * kMmPerInch;
  return say({mm2.value / unit, mm2.u95 / unit}, 5);
}

std::string say_bend(const outline::Piece& arc, Units units, const std::string& radius_word) {
  constexpr double kMostRelative = 0.25;
  if (arc.radius.u95 <= kMostRelative * arc.radius.value) {
    return radius_word + " " + say_length(arc.radius, units).both();
  }
  const outline::Dimension& s = arc.sagitta_mm;
  if (std::abs(s.value) > s.u95) return "arched by " + say_length(s, units).both();
  return "straight within " + say_length({0, std::abs(s.value) + s.u95}, units).u95;
}

std::string length_unit(Units units) { return units == Units::mm ? "mm" : "in"; }

std::string area_unit(Units units) { return units == Units::mm ? "m\u00b2" : "ft\u00b2"; }

std::string boundary_words(const std::string& boundary) {
  if (boundary == "glass") return "edge of the visible glass";
  if (boundary == "solid") return "inner edge of the solid band";
  if (boundary == "dots") return "inner limit of the dots";
  return clean(boundary, 40);
}

std::string short_name(const std::string& name) {
  const std::string text = clean(name, 24);
  const std::size_t space = text.rfind(' ');
  return space == std::string::npos ? text : text.substr(space + 1);
}

}  // namespace panecard::report
