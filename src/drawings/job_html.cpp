// The job sheet for a browser.
#include "drawings/html.h"
#include "drawings/job_pictures.h"
#include "drawings/job_words.h"
#include "drawings/layout_picture.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

std::string class_of(const WordColumn& column) {
  return column.joined ? " class=\"j\"" : column.right ? " class=\"n\"" : "";
}

std::string table_of(const WordTable& table) {
  std::string out = "<div class=\"scroll\"><table>\n<thead><tr>";
  for (const WordColumn& c : table.columns) {
    out += "<th" + class_of(c) + ">" + xml(c.head) + "</th>";
  }
  out += "</tr></thead>\n<tbody>\n";
  for (const std::vector<std::string>& row : table.rows) {
    out += "<tr>";
    for (std::size_t k = 0; k < row.size(); ++k) {
      out += "<td" + class_of(table.columns[k]) + ">" + xml(row[k]) + "</td>";
    }
    out += "</tr>\n";
  }
  return out + "</tbody></table></div>\n";
}

std::string photo_words(const std::string& pane) {
  return "Photo of " + pane + " with its outline";
}

constexpr double kDrawingWidth = 120, kDrawingHeight = 84;

std::string summary(const Job& job, Units u) {
  std::string out;
  if (!job.panes.empty()) {
    out += "<section><h2>Panes</h2>\n" + table_of(pane_table(job, u));
    out += html_paragraph(
        "Sides of the smallest enclosing rectangle, \u00b1 U95 (95 %, k = 2). The nearest 1/16 "
        "in can be off by another 0.8 mm.",
        "quiet");
    out += "</section>\n";
  }
  if (job.layout) {
    out += "<section><h2>Film needed</h2>\n";
    for (std::size_t k = 0; k < job.layout->strips.size(); ++k) {
      out += table_of(film_table(*job.layout, k, u)) +
             html_list(film_doubts(job.layout->strips[k]), "doubts");
    }
    const std::string cost = say_cost_in_all(*job.layout);
    if (!cost.empty()) out += html_paragraph("All strips together: " + cost);
    out += "</section>\n";
  }
  if (!job.notes.empty()) {
    std::vector<std::string> notes;
    for (const std::string& note : job.notes) notes.push_back(clean(note, 2000));
    out += "<section><h2>Notes</h2>\n" + html_list(notes, "notes") + "</section>\n";
  }
  if (job.light) {
    out += "<section><h2>Light through film and glass</h2>\n" + table_of(light_table(*job.light));
    for (const std::string& words : light_words(*job.light)) out += html_paragraph(words, "quiet");
    out +=
        "<p>Metered: bare glass <span class=\"blank\"></span> %, finished <span class=\"blank\">"
        "</span> %</p>\n</section>\n";
  }
  return out;
}

std::string panes(const Job& job, Units u, const Ruler& ruler) {
  if (job.panes.empty()) return {};
  std::string out = "<section class=\"long\"><h2>Pane by pane</h2>\n";
  for (std::size_t k = 0; k < job.panes.size(); ++k) {
    const JobPane& pane = job.panes[k];
    const std::string name = clean(pane.name, 80);
    Sheet sheet(kDrawingWidth, kDrawingHeight, "Outline of " + name);
    draw_pane(sheet, ruler, {{0, 0}, kDrawingWidth, kDrawingHeight}, pane.measured, u);
    out += "<section><h3>" + xml(name) + "</h3>\n" + html_paragraph(pane_caption(pane), "quiet");
    out += html_list(pane_doubts(pane), "doubts") + "<div class=\"two\">\n";
    if (pane.photo) out += html_figure(html_image(*pane.photo, photo_words(name)));
    out += html_figure(sheet.inline_svg("pane-" + std::to_string(k) + "-"));
    out += "</div>\n" + table_of(size_table(pane.measured, u));
    if (!pane.measured.verdict.empty())
      out += html_paragraph(on_paper(pane.measured.verdict, 600), "quiet");
    out += "</section>\n";
  }
  return out + "</section>\n";
}

std::string pieces(const Job& job, Units u, const Ruler& ruler) {
  if (job.pieces.empty()) return {};
  const double one_to = scale_of_pieces(job.pieces, kDrawingWidth, kDrawingHeight);
  std::string out = "<section class=\"long\"><h2>Film pieces, all drawn to one scale</h2>\n";
  out += "<div class=\"two\">\n";
  for (std::size_t k = 0; k < job.pieces.size(); ++k) {
    const film::FilmPiece& piece = job.pieces[k];
    const std::string name = clean(piece.name, 60);
    Sheet sheet(kDrawingWidth, kDrawingHeight, "Film piece " + name);
    draw_piece(sheet, ruler, {{0, 0}, kDrawingWidth, kDrawingHeight}, piece, one_to, u);
    out += "<section>" + html_figure(sheet.inline_svg("piece-" + std::to_string(k) + "-"));
    out += "<h3>" + xml(name) + "</h3>\n" + html_paragraph(piece_sizes(piece, u));
    for (const std::string& words : piece_words(job, piece, u))
      out += html_paragraph(words, "quiet");
    out += "</section>\n";
  }
  return out + "</div></section>\n";
}

std::string roll(const Job& job, Units u, const Ruler& ruler) {
  if (!job.layout) return {};
  constexpr double kWidth = 200;
  const double one_to = scale_of_strips(*job.layout, kWidth);
  std::string out = "<section class=\"long\"><h2>On the film, in the order of cutting</h2>\n";
  for (std::size_t k = 0; k < job.layout->strips.size(); ++k) {
    const film::FilmStrip& strip = job.layout->strips[k];
    const double height = height_of_strip(strip, one_to) + 1;
    Sheet sheet(kWidth, height, "The pieces on the film");
    draw_layout_picture(sheet, ruler, {*job.layout, strip}, u, {0, 1}, {kWidth, height});
    const std::string which = say_which(*job.layout, k);
    if (!which.empty()) out += "<h3>" + xml(which + say_film(strip.film, u)) + "</h3>\n";
    out += html_figure(sheet.inline_svg("film-" + std::to_string(k) + "-")) +
           table_of(cut_table(*job.layout, strip, u));
  }
  return out + "</section>\n";
}

}  // namespace

std::string to_job_html(const Job& job, Paper paper, Units u) {
  const Ruler ruler;
  const std::string title = xml(job_title(job)), date = xml(clean(job.date, 40));
  std::string out =
      html_start("Job sheet, " + job_title(job), paper == Paper::a4 ? "A4" : "letter");
  out += "<header><div class=\"top\"><span>Job sheet</span><span>" + date + "</span></div>\n<h1>" +
         title + "</h1></header>\n<main>\n";
  out += summary(job, u) + panes(job, u, ruler) + pieces(job, u, ruler) + roll(job, u, ruler);
  out += "<section><h2>Order of work, common practice</h2>\n" + html_list(order_of_work(), "work") +
         "</section>\n<section><h2>Caution</h2>\n" + html_list(cautions(), "doubts") +
         "</section>\n";
  return out + "</main></body></html>\n";
}

}  // namespace panecard::drawings
