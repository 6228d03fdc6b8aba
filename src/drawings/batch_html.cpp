// The summary of a batch for a browser.
#include "drawings/html.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

constexpr std::size_t kLongestName = 160, kLongestSentence = 600;

std::string lines(const std::vector<BatchLine>& all) {
  std::string out = "<ul class=\"doubts\">\n";
  for (const BatchLine& line : all) {
    out += "<li><a href=\"#pane-" + std::to_string(line.pane) + "\">" +
           xml(clean(line.name, kLongestName)) +
           "</a>: " + xml(on_paper(line.why, kLongestSentence)) + "</li>\n";
  }
  return out + "</ul>\n";
}

std::string sides(const BatchPane& pane, Units units) {
  return say_length(*pane.long_mm, units).both() + " \u00d7 " +
         say_length(*pane.short_mm, units).both() + " " + length_unit(units);
}

}  // namespace

std::string to_batch_html_start(const BatchSummary& summary) {
  const std::string title = clean(summary.title, kLongestName);
  std::string out = html_start("Batch, " + title, "auto");
  out += "<header><div class=\"top\"><span>Batch of photos</span><span>" +
         xml(clean(summary.date, 40)) + "</span></div>\n<h1>" + xml(title) + "</h1></header>\n";
  out += "<main>\n<section>\n";
  for (const std::string& count : summary.counts) {
    out += html_paragraph(clean(count, kLongestSentence));
  }
  out += "</section>\n";
  if (!summary.again.empty()) {
    out += "<section class=\"long\"><h2>Photograph again</h2>\n" + lines(summary.again) +
           "</section>\n";
  }
  if (!summary.doubtful.empty()) {
    out += "<section class=\"long\"><h2>Look before you cut</h2>\n" + lines(summary.doubtful) +
           "</section>\n";
  }
  out += "<section class=\"long\"><h2>Pane by pane</h2>\n";
  out += html_paragraph(
      "Sides of the smallest enclosing rectangle, \u00b1 U95 (95 %, k = 2). The outline should "
      "lie on the edge of the glass all the way round.",
      "quiet");
  return out + "<div class=\"two\">\n";
}

std::string to_batch_html_pane(const BatchPane& pane, std::size_t number) {
  const std::string name = clean(pane.name, kLongestName);
  std::string out =
      "<section id=\"pane-" + std::to_string(number) + "\"><h3>" + xml(name) + "</h3>\n" +
      html_paragraph(clean(pane.state + "; " + pane.photos, kLongestSentence), "quiet");
  if (pane.picture) out += html_figure(html_image(*pane.picture, "Photo of " + name));
  if (pane.long_mm && pane.short_mm) {
    out += html_paragraph(sides(pane, Units::mm));
    out += html_paragraph(sides(pane, Units::inch), "quiet");
  }
  std::vector<std::string> doubts;
  for (const std::string& doubt : pane.doubts) doubts.push_back(on_paper(doubt, kLongestSentence));
  out += html_list(doubts, "doubts");
  if (!pane.verdict.empty())
    out += html_paragraph(on_paper(pane.verdict, kLongestSentence), "quiet");
  return out + "</section>\n";
}

std::string to_batch_html_end() { return "</div></section>\n</main></body></html>\n"; }

}  // namespace panecard::drawings
