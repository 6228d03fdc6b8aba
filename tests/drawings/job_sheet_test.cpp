// Job sheets read back: the paper one by Poppler, the other one by libxml2, which reads it as XML
// and so vouches for every escape.
#if defined(__GNUC__) && !defined(__clang__)
// GCC 12 finds members of std::regex uninitialised when the sanitizers are on.
#pragma GCC diagnostic ignored "-Wmaybe-uninitialized"
#endif

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgcodecs.hpp>
#include <regex>

#include "base/base.h"
#include "drawings/base64.h"
#include "drawings/drawings.h"
#include "film/cut_shapes.h"
#include "film/film.h"
#include "model/sample.h"
#include "support/outside.h"

namespace panecard::drawings {
namespace {

using outside::run;
using outside::TemporaryFile;

/// A photo of one colour, as BGR.
JobPhoto photo(const cv::Scalar& colour, int width_px, int height_px) {
  std::vector<unsigned char> bytes;
  cv::imencode(".jpg", cv::Mat(height_px, width_px, CV_8UC3, colour), bytes);
  return {{bytes.begin(), bytes.end()}, width_px, height_px};
}

film::FilmPiece piece(const std::string& name, double width_mm, double height_mm) {
  film::FilmPiece out;
  out.name = name;
  out.boundary = "glass";
  out.cut = {{0, 0}, {width_mm, 0}, {width_mm, height_mm}, {0, height_mm}};
  for (const PointMm p : out.cut) out.arcs.push_back({p, 0});
  out.area_mm2 = width_mm * height_mm;
  out.along = "upright";
  const std::vector<std::string> where = {"bottom", "right", "top", "left"};
  for (std::size_t k = 0; k < 4; ++k) {
    out.sides.push_back(
        {"edge " + std::to_string(k + 1), where[k], k, (k + 1) % 4, k == 0 ? 12.0 : 2.0, 0, 0.4});
  }
  return out;
}

Job job() {
  Job out;
  out.vehicle = "Estate, invented";
  out.date = "2026-11-26";
  out.panes = {{"rear slider", sample::slider(), photo({200, 30, 30}, 640, 480), ""},
               {"front door", sample::door(), std::nullopt, "no photo: 'b.jpg' was not found"}};
  out.pieces = {piece("slider film", 490, 426), piece("door film", 872, 486)};
  film::FilmStrip film;
  film.film = {"roll A", "carbon 35", 1016, 30000, 10, false};
  film.length_mm = 932, film.bound_mm = 900, film.cost = 9.32;
  film.waste_mm2 = 316000;
  film.rest = {{932, 0}, 29068, 1016};
  layout::Placed slider, door;
  slider.turn_deg = 90, slider.shift = {926, 500};  // 500 to 926 along the roll
  door.turn_deg = 90, door.shift = {491, 5};        // 5 to 491
  film.copies = {film::laid(out.pieces[0], slider, 0, 1), film::laid(out.pieces[1], door, 1, 1)};
  film.findings = {{"fits_barely", "the door fits barely"}};
  out.layout =
      film::FilmLayout{"EUR", 3, 5, {film::laid(out.pieces[0]), film::laid(out.pieces[1])}, {film}};
  out.notes = {"Three clips along the trim", "Heating lines"};
  JobLight light;
  light.glass = {0.77, 0.0029, true};
  light.film = {0.35, 0.0029, true};
  light.product = {0.2695, 0.0024, true};
  light.glued = optics::Share{0.294, 0.004, true};
  out.light = light;
  return out;
}

/// Every text of a job as hostile as texts get.
Job hostile_job() {
  const std::string bad =
      "<script>alert(1)</script>\"'&]]>-->\xff\xc3(\x01\n\xe2\x80\xae<img src=x>";
  Job out = job();
  out.vehicle = out.date = bad;
  out.panes[0] = {bad, sample::hostile(), photo({0, 0, 0}, 30, 40), ""};
  out.panes[1].name = out.panes[1].no_photo = bad + std::string(3000, 'W');
  out.pieces[0].name = bad;
  out.pieces[0].along = bad;
  out.pieces[1].findings = {{bad, bad + std::string(3000, 'W')}};
  film::FilmStrip& strip = out.layout->strips.front();
  strip.film.name = strip.film.kind = out.layout->currency = bad;
  for (film::LaidPiece& p : out.layout->pieces) p.name = bad;
  strip.findings = {{bad, bad}};
  for (film::FilmSide& s : out.pieces[1].sides) s.name = s.where = bad;
  out.notes = {bad, std::string(5000, 'W'), ""};
  return out;
}

std::vector<std::string> words_by_page(const std::string& pdf) {
  const TemporaryFile file(".pdf", pdf);
  std::istringstream text(run("pdftotext", "poppler-utils", "-layout " + file.path() + " -"));
  std::vector<std::string> out;
  for (std::string page; std::getline(text, page, '\f');) out.push_back(page);
  return out;
}

std::string all_of(const std::vector<std::string>& pages) {
  std::string out;
  for (const std::string& page : pages) out += page;
  return std::regex_replace(out, std::regex("\\s+"), " ");
}

/// What libxml2 makes of an XPath expression; h: is XHTML, s: is SVG.
std::string xpath(const TemporaryFile& html, std::string expression) {
  for (const auto& [prefix, space] :
       {std::pair{"h:", "http://www.w3.org/1999/xhtml"}, {"s:", "http://www.w3.org/2000/svg"}}) {
    const std::regex name(std::string(prefix) + "([a-z]+)");
    expression = std::regex_replace(
        expression, name, std::string("*[namespace-uri()='") + space + "' and local-name()='$1']");
  }
  std::string out = run("xmllint", "libxml2-utils",
                        "--nonet --xpath \"" + expression + "\" " + html.path() + " 2>&1");
  while (out.ends_with('\n')) out.pop_back();
  return out;
}

std::string text_of(const TemporaryFile& html) {
  return std::regex_replace(xpath(html, "normalize-space(string(//h:body))"), std::regex("\\s+"),
                            " ");
}

std::string page_svg(const TemporaryFile& pdf, std::size_t page) {
  const std::string n = std::to_string(page);
  return run(
      "pdftocairo", "poppler-utils",
      "-svg -noshrink -nocenter -origpagesizes -f " + n + " -l " + n + " " + pdf.path() + " -");
}

/// Grey, 2 px per mm.
cv::Mat page_picture(const TemporaryFile& pdf, std::size_t page) {
  const std::string n = std::to_string(page);
  const std::string bytes =
      run("pdftoppm", "poppler-utils", "-r 50.8 -gray -f " + n + " -l " + n + " " + pdf.path());
  return cv::imdecode(std::vector<unsigned char>(bytes.begin(), bytes.end()), 0);
}

/// Of the n-th row of the order of cutting, both counted from 1.
std::string cut_cell(const TemporaryFile& html, std::size_t row, std::size_t cell) {
  return xpath(html, "string((//h:tr[h:td[4][. = '1 of 1']])[" + std::to_string(row) + "]/h:td[" +
                         std::to_string(cell) + "])");
}

}  // namespace

TEST_CASE("both job sheets say sizes in millimetres, inches and sixteenths, by hand arithmetic") {
  // 486 / 25.4 = 19.134, 306.1 sixteenths; 412 / 25.4 = 16.220, 259.5 of them: 16 1/4.
  const std::vector<std::string> wanted = {"roll A, carbon 35",
                                           "932 mm",
                                           "9.32 EUR",
                                           "29068 mm stay on roll A",
                                           "the door fits barely",
                                           "measure again from another place",
                                           "Estate, invented",
                                           "2026-11-26",
                                           "rear slider",
                                           "front door",
                                           "486.00",
                                           "\u00b1 0.62",
                                           "19.134",
                                           "\u00b1 0.024",
                                           "19 1/8",
                                           "412.00",
                                           "\u00b1 0.48",
                                           "16.220",
                                           "16 1/4",
                                           "Three clips along",
                                           "Heating lines",
                                           "slider film",
                                           "490.0 x 426.0 mm",
                                           "19.29 x 16.77 in",
                                           "27.0",
                                           "29.4",
                                           "\u00b1 0.8 %",
                                           "Local law decides",
                                           "meter",
                                           "common practice",
                                           "+12.0",
                                           "'b.jpg' was not",
                                           "blade"};
  const Job sheet = job();
  const std::string pdf = all_of(words_by_page(to_job_pdf(sheet, Paper::a4, Units::mm)));
  const TemporaryFile html(".html", to_job_html(sheet, Paper::a4, Units::mm));
  const std::string page = text_of(html);
  for (const std::string& words : wanted) {
    CAPTURE(words);
    CHECK(pdf.find(words) != std::string::npos);
    CHECK(page.find(words) != std::string::npos);
  }
}

TEST_CASE("no option of the command line is named on a sheet") {
  Job sheet = job();
  sheet.panes[0].measured.verdict = "fair; measure how far the pane bows (--bow)";
  sheet.panes[0].measured.warnings = {
      {"bow_unknown", "lay a straightedge on the glass and give --bow (flat: 0mm@500mm)"},
      {"two_edges", "point at the right one with --near"},
      {"new", "try --something-else"}};
  sheet.panes[1].no_photo = "no photo: 'b.jpg' was not found; name it with --photo";
  sheet.pieces[0].findings = {{"along_the_roll", "bent (common practice); --along says otherwise"}};
  const std::string pdf = all_of(words_by_page(to_job_pdf(sheet, Paper::a4, Units::mm)));
  const TemporaryFile html(".html", to_job_html(sheet, Paper::a4, Units::mm));
  for (const std::string& text : {pdf, text_of(html)}) {
    CHECK(!std::regex_search(text, std::regex("--[a-z]")));
    CHECK(text.find("on the glass, and measure again with its bow") != std::string::npos);
    CHECK(text.find("point at the right one by hand") != std::string::npos);
    CHECK(text.find("try something-else") != std::string::npos);
  }
}

TEST_CASE("a job on several strips has each with its film, drawing and order of cutting") {
  Job sheet = job();
  film::FilmLayout& layout = *sheet.layout;
  film::FilmStrip second = layout.strips.front();
  second.film = {"shelf 2", "carbon 35", 1016, 500, 0, true};
  second.cost = 0, second.length_mm = 496, second.rest = {{496, 0}, 4, 1016};
  second.copies = {layout.strips.front().copies[1]};
  layout.strips.front().copies.pop_back();
  layout.strips.push_back(second);
  const std::string pdf = all_of(words_by_page(to_job_pdf(sheet, Paper::a4, Units::mm)));
  const TemporaryFile html(".html", to_job_html(sheet, Paper::a4, Units::mm));
  for (const std::string& text : {pdf, text_of(html)}) {
    CHECK(text.find("strip 1 of 2: roll A, carbon 35") != std::string::npos);
    CHECK(text.find("strip 2 of 2: shelf 2, carbon 35") != std::string::npos);
    CHECK(text.find("4 mm stay on shelf 2") != std::string::npos);
    CHECK(text.find("All strips together: 9.32 EUR") != std::string::npos);
  }
  CHECK(xpath(html, "count(//s:svg)") == "6");
  CHECK(xpath(html, "count(//@id[. = ../preceding::*/@id])") == "0");
}

TEST_CASE("copies are cut in the order in which they come along the roll") {
  const TemporaryFile html(".html", to_job_html(job(), Paper::a4, Units::mm));
  CHECK(xpath(html, "count(//h:tr[h:td[4][. = '1 of 1']])") == "2");
  const std::vector<const char*> first = {"1", "2",   "door film", "1 of 1",
                                          "5", "491", "90\u00b0",  ""};
  for (std::size_t k = 0; k < first.size(); ++k) CHECK(cut_cell(html, 1, k + 1) == first[k]);
  CHECK(cut_cell(html, 2, 3) == "slider film");
}

TEST_CASE("pages have the size of the paper, are numbered, and grow with the panes") {
  struct Row {
    Paper paper;
    const char* size_pt;  // ISO 216 and ANSI Y14.1: 210 x 297 mm, 8.5 x 11 in
    std::size_t panes;
  };
  for (const Row& row :
       {Row{Paper::a4, "595.276 x 841.89 pts", 2}, Row{Paper::letter, "612 x 792 pts", 2},
        Row{Paper::a4, "595.276 x 841.89 pts", 30}}) {
    Job sheet = job();
    while (sheet.panes.size() < row.panes) sheet.panes.push_back(sheet.panes.front());
    const std::string pdf = to_job_pdf(sheet, row.paper, Units::mm);
    const TemporaryFile file(".pdf", pdf);
    CHECK(run("pdfinfo", "poppler-utils", file.path()).find(row.size_pt) != std::string::npos);
    const std::vector<std::string> pages = words_by_page(pdf);
    CHECK(pages.size() >= 2 + row.panes / 3);
    for (std::size_t k = 0; k < pages.size(); ++k) {
      CAPTURE(k);
      const std::string of_all = " of " + std::to_string(pages.size());
      CHECK(pages[k].find("page " + std::to_string(k + 1) + of_all) != std::string::npos);
    }
  }
}

TEST_CASE("the photo goes into both sheets byte by byte") {
  const Job sheet = job();
  const JobPhoto& given = *sheet.panes[0].photo;
  const TemporaryFile pdf(".pdf", to_job_pdf(sheet, Paper::a4, Units::mm));
  const std::string images = run("pdfimages", "poppler-utils", "-list " + pdf.path());
  CHECK(std::count(images.begin(), images.end(), '\n') == 3);
  CHECK(std::regex_search(images, std::regex("image +640 +480 +rgb .* jpeg")));

  const TemporaryFile html(".html", to_job_html(sheet, Paper::a4, Units::mm));
  CHECK(xpath(html, "count(//h:img)") == "1");
  const std::string source = xpath(html, "string(//h:img/@src)");
  const std::string lead = "data:image/jpeg;base64,";
  REQUIRE(source.starts_with(lead));
  const TemporaryFile coded(".txt", source.substr(lead.size()));
  CHECK(run("base64", "coreutils", "-d " + coded.path()) == given.jpeg);
}

TEST_CASE("an outline stands as the pane stands in its photo") {
  struct Row {
    const char* what;
    PointPx right, up;  // where the outline's x and y point in the photo, y down
    const char* below;  // the size under the drawing comes first
  };
  for (const Row& row :
       {Row{"level", {1, 0}, {0, -1}, "486.00"}, Row{"on its side", {0, -1}, {-1, 0}, "412.00"},
        Row{"upside down", {-1, 0}, {0, 1}, "486.00"},
        Row{"nearly on its side", {0.2, 1}, {1, -0.2}, "412.00"}}) {
    CAPTURE(row.what);
    Job sheet;
    sheet.panes = {{"pane", sample::slider(), std::nullopt, ""}};
    outline::Outline& o = sheet.panes[0].measured.outline;
    for (std::size_t i = 0; i < o.points.size(); ++i) {
      const PointMm p = o.points[i];
      o.points_px[i] = {900 + p.x * row.right.x + p.y * row.up.x,
                        900 + p.x * row.right.y + p.y * row.up.y};
    }
    const TemporaryFile html(".html", to_job_html(sheet, Paper::a4, Units::mm));
    CHECK(xpath(html, "string((//s:text)[1])").starts_with(row.below));
  }
}

TEST_CASE("outlines and pieces are drawn to the scale that is stated") {
  Job sheet = job();
  sheet.panes.erase(sheet.panes.begin() + 1);
  sheet.panes[0].photo.reset();
  const TemporaryFile file(".pdf", to_job_pdf(sheet, Paper::a4, Units::mm));
  const std::vector<std::string> pages = words_by_page(to_job_pdf(sheet, Paper::a4, Units::mm));
  const std::string accent = outside::cairo_colour(0xe0, 0x54, 0x0b);
  std::vector<double> widths;
  for (std::size_t k = 1; k <= pages.size(); ++k) {
    const std::string svg = page_svg(file, k);
    for (const outside::Line& line : outside::lines_in_cairo_svg(svg, accent, 25.4 / 72)) {
      double low = 1e300, high = -1e300;
      for (const PointMm p : line) low = std::min(low, p.x), high = std::max(high, p.x);
      if (line.size() > 2) widths.push_back(high - low);
    }
  }
  std::smatch said;
  const std::string text = all_of(pages);
  REQUIRE(std::regex_search(text, said, std::regex("all drawn 1 : ([0-9.]+).*")));
  const double pieces_one_to = std::stod(said[1]);
  std::vector<double> pane_scales;
  const std::regex scale("1 : ([0-9.]+)");
  for (auto it = std::sregex_iterator(text.begin(), text.end(), scale);
       it != std::sregex_iterator(); ++it) {
    pane_scales.push_back(std::stod((*it)[1]));
  }
  const auto drawn = [&](double width_mm) {
    return std::any_of(widths.begin(), widths.end(),
                       [&](double w) { return std::abs(w - width_mm) <= 0.02; });
  };
  REQUIRE(!pane_scales.empty());
  CHECK(drawn(486 / pane_scales.front()));
  CHECK(drawn(490 / pieces_one_to));
  CHECK(drawn(872 / pieces_one_to));
  CHECK(drawn(486 / pane_scales.back()));  // the door's height, along the roll
  CHECK(pane_scales.size() == 3);
}

TEST_CASE("hostile words stay words, and the page asks nothing of any other place") {
  const TemporaryFile html(".html", to_job_html(hostile_job(), Paper::letter, Units::inch));
  struct Row {
    const char* what;
    const char* xpath;
    const char* answer;
  };
  for (const Row& row : std::vector<Row>{
           {"no script", "count(//*[local-name()='script'])", "0"},
           {"only our photo", "count(//h:img)", "1"},
           {"no frame, form or link",
            "count(//*[local-name()='iframe' or local-name()='form' or local-name()='a' or "
            "local-name()='link' or local-name()='object'])",
            "0"},
           {"no handler", "count(//@*[starts-with(local-name(), 'on')])", "0"},
           {"no address but data",
            "count(//@*[(local-name()='src' or local-name()='href') and not(starts-with(., "
            "'data:'))])",
            "0"},
           {"drawings in place", "count(//s:svg)", "5"},
           {"ids used once", "count(//@id[. = ../preceding::*/@id])", "0"},
           {"the words are there", "count(//h:li[starts-with(., '<script>alert(1)')]) > 0", "true"},
       }) {
    CAPTURE(row.what);
    CHECK(xpath(html, row.xpath) == row.answer);
  }
  const std::string style = xpath(html, "string(//h:style)");
  CHECK(style.find("url(") == std::string::npos);
  CHECK(style.find("@import") == std::string::npos);
  CHECK(style.find("@page{size:letter") != std::string::npos);
}

TEST_CASE("nothing is printed into the margins, whatever the texts") {
  for (const Paper paper : {Paper::a4, Paper::letter}) {
    const TemporaryFile file(".pdf", to_job_pdf(hostile_job(), paper, Units::mm));
    const std::string info = run("pdfinfo", "poppler-utils", file.path());
    std::smatch pages;
    REQUIRE(std::regex_search(info, pages, std::regex("Pages: +([0-9]+)")));
    for (int k = 1; k <= std::stoi(pages[1]); ++k) {
      CAPTURE(k);
      const cv::Mat page = page_picture(file, static_cast<std::size_t>(k));
      REQUIRE(!page.empty());
      constexpr int kMargin_px = 28;  // 14 mm at 2 px per mm
      cv::Mat inside = page.clone();
      inside(
          cv::Rect(kMargin_px, kMargin_px, page.cols - 2 * kMargin_px, page.rows - 2 * kMargin_px))
          .setTo(255);
      double darkest = 0;
      cv::minMaxLoc(inside, &darkest);
      CHECK(darkest == 255);
    }
  }
}

TEST_CASE("the same job makes the same bytes, and an empty one is still a sheet") {
  CHECK(to_job_pdf(job(), Paper::a4, Units::inch) == to_job_pdf(job(), Paper::a4, Units::inch));
  CHECK(to_job_html(job(), Paper::a4, Units::inch) == to_job_html(job(), Paper::a4, Units::inch));
  const TemporaryFile html(".html", to_job_html({}, Paper::a4, Units::mm));
  CHECK(text_of(html).find("Vehicle not named") != std::string::npos);
  CHECK(words_by_page(to_job_pdf({}, Paper::a4, Units::mm)).size() == 1);
}

TEST_CASE("base64 agrees with its published vectors") {
  const std::vector<std::pair<const char*, const char*>> rfc4648 = {// section 10
                                                                    {"", ""},
                                                                    {"f", "Zg=="},
                                                                    {"fo", "Zm8="},
                                                                    {"foo", "Zm9v"},
                                                                    {"foob", "Zm9vYg=="},
                                                                    {"fooba", "Zm9vYmE="},
                                                                    {"foobar", "Zm9vYmFy"}};
  for (const auto& [plain, coded] : rfc4648) CHECK(base64(plain) == coded);
  CHECK(base64("\xff\xfe\xfd") == "//79");
}

}  // namespace panecard::drawings
