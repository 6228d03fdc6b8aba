#include <algorithm>
#include <array>
#include <cmath>
#include <string_view>

#include "outline/outline.h"

namespace panecard::outline {
namespace {

/// What a person can do about a source. Sources that share an action vanish together; fit has none,
/// as no photo makes a pane's edges truer lines and arcs.
struct Remedy {
  ErrorSource source;
  std::string_view action;
};
constexpr std::string_view kFarCard = "add a card at the far end of the pane";
constexpr std::string_view kLight = "light the edge, with no reflection along it";
constexpr std::array kRemedies = {
    Remedy{ErrorSource::lens, "calibrate the phone with the lens command"},
    Remedy{ErrorSource::corner_noise, kFarCard},
    Remedy{ErrorSource::print_scale,
           "use coded cards of plastic, which keep their printed size better than paper"},
    Remedy{ErrorSource::card_size, "use a coded card or sheet instead of the plain one"},
    Remedy{ErrorSource::edge_creep, "use a coded card or sheet instead of the plain one"},
    Remedy{ErrorSource::card_thickness, "step back: from afar the card's height counts less"},
    Remedy{ErrorSource::bow, "measure how far the pane bows (--bow)"},
    Remedy{ErrorSource::glass_thickness, "measure how thick the glass is (--glass-thickness)"},
    Remedy{ErrorSource::edge_definition, "clean the seal's edge and light it from the side"},
    Remedy{ErrorSource::seal_in_shadow, "light the side where the seal fades into the dark"},
    Remedy{ErrorSource::edge_noise, kLight},
    Remedy{ErrorSource::bridge, kLight},
    Remedy{ErrorSource::pointing, kLight},
    Remedy{ErrorSource::edge_choice, "point at the right edge with --near"},
};

/// Squares of the parts of `d` that `action` would take away.
double variance_of(const Outline& o, const Dimension& d, std::string_view action) {
  double sum = 0;
  for (std::size_t s = 0; s < std::min(o.sources.size(), d.parts.size()); ++s) {
    for (const Remedy& remedy : kRemedies) {
      if (remedy.action == action && o.sources[s] == remedy.source) sum += d.parts[s] * d.parts[s];
    }
  }
  return sum;
}

double without(const Dimension& d, double variance) {
  return std::sqrt(std::max(0.0, d.u95 * d.u95 - variance));
}

}  // namespace

std::string remedy_for(const SourceName& source) {
  for (const Remedy& remedy : kRemedies) {
    if (source == remedy.source) return std::string(remedy.action);
  }
  return {};
}

std::optional<Advice> most_helpful(const Outline& o) {
  double most = 0;
  std::string_view best;
  for (const Remedy& remedy : kRemedies) {
    const double gain =
        variance_of(o, o.long_mm, remedy.action) + variance_of(o, o.short_mm, remedy.action);
    if (gain > most) most = gain, best = remedy.action;
  }
  if (best.empty()) return std::nullopt;
  Advice advice;
  advice.action = best;
  for (const Remedy& remedy : kRemedies) {
    if (remedy.action != best) continue;
    if (std::find(o.sources.begin(), o.sources.end(), SourceName(remedy.source)) == o.sources.end())
      continue;
    advice.sources.push_back(remedy.source);
  }
  advice.long_u95_mm = without(o.long_mm, variance_of(o, o.long_mm, best));
  advice.short_u95_mm = without(o.short_mm, variance_of(o, o.short_mm, best));
  return advice;
}

}  // namespace panecard::outline
