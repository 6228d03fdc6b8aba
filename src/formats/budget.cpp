#include "formats/budget.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <string_view>

#include "formats/check_words.h"
#include "formats/formats.h"
#include "formats/text.h"

namespace panecard::formats {
namespace {

using outline::Dimension;

/// What a person can do about a source. Sources that share an action vanish together; "fit" has
/// none, as no photo makes a pane's edges truer lines and arcs.
struct Remedy {
  std::string_view source, action;
};
constexpr std::string_view kFarCard = "add a card at the far end of the pane";
constexpr std::string_view kLight = "light the edge, with no reflection along it";
constexpr std::array kRemedies = {
    Remedy{"lens", "calibrate the phone with the lens command"},
    Remedy{"corner noise", kFarCard},
    Remedy{"plane and lens", kFarCard},
    Remedy{"print scale",
           "use coded cards of plastic, which keep their printed size better than paper"},
    Remedy{"card size", "use a coded card or sheet instead of the plain one"},
    Remedy{"edge creep", "use a coded card or sheet instead of the plain one"},
    Remedy{"card thickness", "step back: from afar the card's height counts less"},
    Remedy{"bow", "measure how far the pane bows (--bow)"},
    Remedy{"glass thickness", "measure how thick the glass is (--glass-thickness)"},
    Remedy{"definition of the edge", "clean the seal's edge and light it from the side"},
    Remedy{"seal in shadow", "light the side where the seal fades into the dark"},
    Remedy{"edge noise", kLight},
    Remedy{"bridge", kLight},
    Remedy{"pointing", kLight},
    Remedy{"choice of edge", "point at the right edge with --near"},
};

/// Squares of the parts of `d` that `action` would take away.
double variance_of(const outline::Outline& o, const Dimension& d, std::string_view action) {
  double sum = 0;
  for (std::size_t s = 0; s < std::min(o.sources.size(), d.parts.size()); ++s) {
    for (const Remedy& remedy : kRemedies) {
      if (remedy.action == action && remedy.source == o.sources[s]) sum += d.parts[s] * d.parts[s];
    }
  }
  return sum;
}

double without(const Dimension& d, double variance) {
  return std::sqrt(std::max(0.0, d.u95 * d.u95 - variance));
}

std::string block(const outline::Outline& o, const NamedLength& row, Units u) {
  struct Part {
    std::string name, said, share;
    double size;
  };
  constexpr double kWorthALine = 0.01;  // of u95 squared
  const Dimension& d = row.length_mm;
  const double square = std::max(d.u95 * d.u95, 1e-300);
  std::vector<Part> parts;
  double rest = 0;
  const auto add = [&](const std::string& name, double part) {
    parts.push_back({name, say_length({d.value, part}, u).u95,
                     fixed(100 * part * part / square, 0) + " %", part});
  };
  for (std::size_t s = 0; s < std::min(o.sources.size(), d.parts.size()); ++s) {
    if (d.parts[s] * d.parts[s] < kWorthALine * square) {
      rest += d.parts[s] * d.parts[s];
    } else {
      add(clean(o.sources[s], 40), d.parts[s]);
    }
  }
  std::stable_sort(parts.begin(), parts.end(),
                   [](const Part& a, const Part& b) { return a.size > b.size; });
  if (rest > 0) add("all others", std::sqrt(rest));
  std::string out =
      "  " + clean(row.name, 24) + "  " + say_length(d, u).both() + " " + length_unit(u) + "\n";
  for (const Part& p : parts) {
    out += "    " + pad_right(p.name, 24) + pad_left(p.said, 7) + pad_left(p.share, 7) + "\n";
  }
  return out;
}

}  // namespace

std::vector<NamedLength> named_lengths(const outline::Outline& o) {
  std::vector<NamedLength> out = {{"box, long side", o.long_mm}, {"box, short side", o.short_mm}};
  for (std::size_t i = 0; i < o.diagonals_mm.size(); ++i) {
    out.push_back({"diagonal " + std::to_string(i + 1), o.diagonals_mm[i]});
  }
  for (const outline::Piece& p : o.pieces) {
    if (!p.corner) out.push_back({p.name, p.length_mm});
  }
  return out;
}

std::string what_would_help(const check::Value& value) {
  for (const Remedy& remedy : kRemedies) {
    if (remedy.source == value.main_source) {
      return std::string(remedy.action) + " and take the photo again, or measure this one by hand";
    }
  }
  return "measure this one by hand";
}

std::optional<Advice> most_helpful(const outline::Outline& o) {
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
    if (std::find(o.sources.begin(), o.sources.end(), remedy.source) == o.sources.end()) continue;
    advice.sources.emplace_back(remedy.source);
  }
  advice.long_u95_mm = without(o.long_mm, variance_of(o, o.long_mm, best));
  advice.short_u95_mm = without(o.short_mm, variance_of(o, o.short_mm, best));
  return advice;
}

std::string say_advice(const outline::Outline& o, const Advice& advice, Units u) {
  const auto said = [&](const Dimension& d, double u95) {
    return say_length({d.value, u95}, u).u95;
  };
  return "What would help most: " + advice.action +
         ". At best the long side would then be \u00b1 " + said(o.long_mm, advice.long_u95_mm) +
         " " + length_unit(u) + " instead of \u00b1 " + said(o.long_mm, o.long_mm.u95) +
         ", the short side \u00b1 " + said(o.short_mm, advice.short_u95_mm) +
         " instead of \u00b1 " + said(o.short_mm, o.short_mm.u95) + ".";
}

std::string to_budget(const Measurement& m, Units u) {
  std::string out =
      "Where each \u00b1 comes from: what it would be with that source alone (95 %, " +
      length_unit(u) + "), and its share of the square\n\n";
  for (const NamedLength& row : named_lengths(m.outline)) out += block(m.outline, row, u);
  if (const auto advice = most_helpful(m.outline)) {
    out += "\n  " + say_advice(m.outline, *advice, u) + "\n";
  }
  return out;
}

}  // namespace panecard::formats
