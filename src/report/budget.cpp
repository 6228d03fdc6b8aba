#include <algorithm>
#include <array>
#include <cmath>
#include <string_view>

#include "report/report.h"

namespace panecard::report {
namespace {

using outline::Dimension;

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
      add(clean(o.sources[s].text(), 40), d.parts[s]);
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
  const std::string action = outline::remedy_for(value.main_source);
  if (action.empty()) return "measure this one by hand";
  return action + " and take the photo again, or measure this one by hand";
}

std::string say_advice(const outline::Outline& o, const outline::Advice& advice, Units u) {
  const auto said = [&](const Dimension& d, double u95) {
    return say_length({d.value, u95}, u).u95;
  };
  return "What would help most: " + advice.action +
         ". At best the long side would then be \u00b1 " + said(o.long_mm, advice.long_u95_mm) +
         " " + length_unit(u) + " instead of \u00b1 " + said(o.long_mm, o.long_mm.u95) +
         ", the short side \u00b1 " + said(o.short_mm, advice.short_u95_mm) +
         " instead of \u00b1 " + said(o.short_mm, o.short_mm.u95) + ".";
}

std::string to_budget(const model::Measurement& m, Units u) {
  std::string out =
      "Where each \u00b1 comes from: what it would be with that source alone (95 %, " +
      length_unit(u) + "), and its share of the square\n\n";
  for (const NamedLength& row : named_lengths(m.outline)) out += block(m.outline, row, u);
  if (const auto advice = most_helpful(m.outline)) {
    out += "\n  " + say_advice(m.outline, *advice, u) + "\n";
  }
  return out;
}

}  // namespace panecard::report
