#include <algorithm>
#include <cmath>
#include <vector>

#include "outline/outline.h"
#include "report/report.h"

namespace panecard::report {
namespace {

/// The source that makes most of a dimension's uncertainty, with its share of the variance.
std::string main_source(const outline::Outline& o, const outline::Dimension& d) {
  const auto most = std::max_element(d.parts.begin(), d.parts.end());
  if (most == d.parts.end() || !(d.u95 > 0)) return {};
  const double share = std::pow(*most / d.u95, 2);
  return " Largest source: " + o.sources[static_cast<std::size_t>(most - d.parts.begin())].text() +
         ", " + to_text(100 * share, 0) + " % of the long side's square.";
}

}  // namespace

std::string verdict_on(const outline::Outline& outline, Units units) {
  std::vector<double> u95 = outline.u95_mm;
  if (u95.empty()) return {};
  std::sort(u95.begin(), u95.end());
  const bool inches = units == Units::inch;
  const auto said = [inches](double mm) {
    return inches ? to_text(mm / 25.4, 3) + " in" : to_text(mm, 2) + " mm";
  };
  std::string text = "The sides are good to " + said(outline.long_mm.u95) + " and " +
                     said(outline.short_mm.u95) + ", the outline to " + said(u95[u95.size() / 2]) +
                     " at half of its points and " + said(u95.back()) + " at the worst." +
                     main_source(outline, outline.long_mm);
  if (const auto advice = outline::most_helpful(outline)) {
    text += " " + say_advice(outline, *advice, units);
  }
  return text;
}

}  // namespace panecard::report
