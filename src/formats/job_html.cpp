// The job sheet for a browser: one file, no script, nothing fetched. Well-formed as XML, so that
// any XML reader can vouch for its escapes.
#include "formats/job_pictures.h"
#include "formats/job_words.h"
#include "formats/layout_picture.h"
#include "formats/style.h"
#include "formats/text.h"

namespace panecard::formats {
namespace {

// The drawings bring their colours as attributes, which any rule outranks: dark mode repaints them.
constexpr const char* kStyle = R"(
:root{color-scheme:light dark;--ink:#1f262d;--quiet:#66707a;--rule:#c4cbd1;--paper:#fff;--accent:#e0540b;--pale:#eef0f2;--tint:#fbe2d2}
@media screen and (prefers-color-scheme:dark){
:root{--ink:#e6e9ec;--quiet:#9aa4ad;--rule:#47505a;--paper:#14181c;--accent:#ff8a4a;--pale:#20262c;--tint:#4a2f20}}
*{box-sizing:border-box}
body{margin:0 auto;padding:1.5rem;max-width:60rem;background:var(--paper);color:var(--ink);
font:15px/1.5 'DejaVu Sans',Verdana,sans-serif}
h1{font-size:1.7rem;line-height:1.2;margin:0;overflow-wrap:anywhere}
h2{font-size:1.1rem;margin:2rem 0 .6rem;padding-top:.6rem;border-top:1px solid var(--rule);
background:linear-gradient(var(--accent),var(--accent)) 0 0/3.2rem 3px no-repeat;print-color-adjust:exact}
h3{font-size:1rem;margin:1.4rem 0 0;overflow-wrap:anywhere}
p{margin:.3rem 0;overflow-wrap:anywhere}
.quiet,figcaption,th{color:var(--quiet);font-size:.86rem}
.top{display:flex;justify-content:space-between;color:var(--quiet)}
.scroll{overflow-x:auto}
table{border-collapse:collapse;font-variant-numeric:tabular-nums;font-size:.92rem}
th{font-weight:normal;text-align:left;border-bottom:1px solid var(--rule);white-space:nowrap}
td,th{padding:.12rem .3rem .12rem 1.6rem;vertical-align:baseline}
td:first-child,th:first-child{padding-left:0}
.n{text-align:right;white-space:nowrap}
.j{padding-left:0;white-space:nowrap}
.two{display:grid;grid-template-columns:repeat(auto-fill,minmax(20rem,1fr));gap:1rem 2rem;align-items:start}
figure{margin:0}
img,svg{display:block;width:100%;height:auto;max-width:100%}
ul{margin:.3rem 0;padding-left:1.3rem}
li{margin:.2rem 0;overflow-wrap:anywhere}
.doubts{list-style:none;padding:.1rem 0 .1rem .8rem;border-left:3px solid var(--accent)}
.work{list-style:'\2610\00a0\00a0'}
.blank{display:inline-block;min-width:5rem;border-bottom:1px solid var(--ink)}
svg [fill='#1f262d']{fill:var(--ink)}svg [stroke='#1f262d']{stroke:var(--ink)}
svg [fill='#66707a']{fill:var(--quiet)}svg [stroke='#66707a']{stroke:var(--quiet)}
svg [fill='#c4cbd1']{fill:var(--rule)}svg [stroke='#c4cbd1']{stroke:var(--rule)}
svg [fill='#ffffff']{fill:var(--paper)}svg [stroke='#ffffff']{stroke:var(--paper)}
svg [fill='#eef0f2']{fill:var(--pale)}svg [fill='#fbe2d2']{fill:var(--tint)}
svg [stroke='#e0540b']{stroke:var(--accent)}
@media print{body{padding:0;max-width:none;font-size:10pt}section,figure,tr,li{break-inside:avoid}
h2,h3{break-after:avoid;break-inside:avoid}.long{break-inside:auto}.scroll{overflow:visible}
.two{grid-template-columns:1fr 1fr}}
)";

std::string p(const std::string& words, const char* kind = "") {
  const std::string of_kind = kind[0] == '\0' ? "" : std::string(" class=\"") + kind + "\"";
  return "<p" + of_kind + ">" + xml(words) + "</p>\n";
}

std::string list(const std::vector<std::string>& items, const char* kind) {
  if (items.empty()) return {};
  std::string out = std::string("<ul class=\"") + kind + "\">\n";
  for (const std::string& item : items) out += "<li>" + xml(item) + "</li>\n";
  return out + "</ul>\n";
}

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

std::string figure(const std::string& inside, const std::string& caption = "") {
  return "<figure>" + inside +
         (caption.empty() ? "" : "<figcaption>" + xml(caption) + "</figcaption>") + "</figure>\n";
}

std::string photo_of(const JobPane& pane) {
  const JobPhoto& photo = *pane.photo;
  return "<img alt=\"" + xml("Photo of " + clean(pane.name, 80) + " with its outline") +
         "\" width=\"" + std::to_string(photo.width_px) + "\" height=\"" +
         std::to_string(photo.height_px) + "\" src=\"data:image/jpeg;base64," + base64(photo.jpeg) +
         "\"/>";
}

constexpr double kDrawingWidth = 120, kDrawingHeight = 84;

std::string summary(const Job& job, Units u) {
  std::string out;
  if (!job.panes.empty()) {
    out += "<section><h2>Panes</h2>\n" + table_of(pane_table(job, u));
    out +=
        p("Sides of the smallest enclosing rectangle, \u00b1 U95 (95 %, k = 2). The nearest 1/16 "
          "in can be off by another 0.8 mm.",
          "quiet");
    out += "</section>\n";
  }
  if (job.layout) {
    out += "<section><h2>Film needed</h2>\n" + table_of(film_table(*job.layout, u)) +
           list(film_doubts(*job.layout), "doubts") + "</section>\n";
  }
  if (!job.notes.empty()) {
    std::vector<std::string> notes;
    for (const std::string& note : job.notes) notes.push_back(clean(note, 2000));
    out += "<section><h2>Notes</h2>\n" + list(notes, "notes") + "</section>\n";
  }
  if (job.light) {
    out += "<section><h2>Light through film and glass</h2>\n" + table_of(light_table(*job.light));
    for (const std::string& words : light_words(*job.light)) out += p(words, "quiet");
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
    out += "<section><h3>" + xml(name) + "</h3>\n" + p(pane_caption(pane), "quiet");
    out += list(pane_doubts(pane), "doubts") + "<div class=\"two\">\n";
    if (pane.photo) out += figure(photo_of(pane));
    out += figure(sheet.inline_svg("pane-" + std::to_string(k) + "-"));
    out += "</div>\n" + table_of(size_table(pane.measured, u));
    if (!pane.measured.verdict.empty()) out += p(clean(pane.measured.verdict, 600), "quiet");
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
    const StoredPiece& piece = job.pieces[k];
    const std::string name = clean(piece.name, 60);
    Sheet sheet(kDrawingWidth, kDrawingHeight, "Film piece " + name);
    draw_piece(sheet, ruler, {{0, 0}, kDrawingWidth, kDrawingHeight}, piece, one_to, u);
    out += "<section>" + figure(sheet.inline_svg("piece-" + std::to_string(k) + "-"));
    out += "<h3>" + xml(name) + "</h3>\n" + p(piece_sizes(piece, u));
    for (const std::string& words : piece_words(piece, u)) out += p(words, "quiet");
    out += "</section>\n";
  }
  return out + "</div></section>\n";
}

std::string roll(const Job& job, Units u, const Ruler& ruler) {
  if (!job.layout) return {};
  constexpr double kWidth = 200;
  const double height = height_of_layout(*job.layout, kWidth);
  Sheet sheet(kWidth, height, "The pieces on the film");
  draw_layout_picture(sheet, ruler, *job.layout, u, {0, 1}, {kWidth, height});
  return "<section class=\"long\"><h2>On the film, in the order of cutting</h2>\n" +
         figure(sheet.inline_svg("film-")) + table_of(cut_table(*job.layout, u)) + "</section>\n";
}

}  // namespace

std::string to_job_html(const Job& job, Paper paper, Units u) {
  const Ruler ruler;
  const std::string title = xml(job_title(job)), date = xml(clean(job.date, 40));
  std::string out = "<!DOCTYPE html>\n<html xmlns=\"http://www.w3.org/1999/xhtml\" lang=\"en\">\n";
  out += "<head><meta charset=\"utf-8\"/>\n<title>Job sheet, " + title + "</title>\n";
  out += "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n";
  // Whatever a text might smuggle in, the browser may load nothing and run nothing.
  out +=
      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
      "'unsafe-inline'; img-src data:\"/>\n";
  out += std::string("<style>@page{size:") + (paper == Paper::a4 ? "A4" : "letter") +
         ";margin:15mm}" + kStyle + "</style></head>\n<body>\n";
  out += "<header><div class=\"top\"><span>Job sheet</span><span>" + date + "</span></div>\n<h1>" +
         title + "</h1></header>\n<main>\n";
  out += summary(job, u) + panes(job, u, ruler) + pieces(job, u, ruler) + roll(job, u, ruler);
  out += "<section><h2>Order of work, common practice</h2>\n" + list(order_of_work(), "work") +
         "</section>\n<section><h2>Caution</h2>\n" + list(cautions(), "doubts") + "</section>\n";
  return out + "</main></body></html>\n";
}

}  // namespace panecard::formats
