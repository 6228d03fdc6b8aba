// Cut sheets as PDF: sizes by pdfinfo, vectors by pdftocairo, words by pdftotext (Poppler). Tiles
// are laid together as a person would, by their crosses and by what the map says.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <map>
#include <sstream>

#include "drawings/cut_tiles.h"
#include "drawings/drawings.h"
#include "drawings/sheet.h"
#include "film/cut_shapes.h"
#include "film/film.h"
#include "support/outside.h"

namespace panecard::drawings {
namespace {

constexpr double kTolerance = 0.05;
constexpr double kMmPerPoint = 25.4 / 72;
const std::string kCut = outside::cairo_colour(0xe0, 0x54, 0x0b);
const std::string kMark = outside::cairo_colour(0x66, 0x70, 0x7a);
const std::string kInk = outside::cairo_colour(0x1f, 0x26, 0x2d);

std::string page_svg(const std::string& path, std::size_t page) {
  const std::string n = std::to_string(page);
  return outside::run(
      "pdftocairo", "poppler-utils",
      "-svg -noshrink -nocenter -origpagesizes -f " + n + " -l " + n + " " + path + " -");
}

std::vector<outside::Line> lines(const std::string& svg, const std::string& colour) {
  return outside::lines_in_cairo_svg(svg, colour, kMmPerPoint);
}

std::vector<std::string> words_by_page(const std::string& path) {
  std::istringstream text(outside::run("pdftotext", "poppler-utils", "-layout " + path + " -"));
  std::vector<std::string> out;
  for (std::string page; std::getline(text, page, '\f');) out.push_back(page);
  return out;
}

struct Bounds {
  PointMm low{1e300, 1e300}, high{-1e300, -1e300};
  void add(PointMm p) {
    low = {std::min(low.x, p.x), std::min(low.y, p.y)};
    high = {std::max(high.x, p.x), std::max(high.y, p.y)};
  }
  bool has(PointMm p) const {
    return p.x >= low.x && p.y >= low.y && p.x <= high.x && p.y <= high.y;
  }
};

Bounds bounds_of(const std::vector<outside::Line>& all) {
  Bounds out;
  for (const outside::Line& line : all) {
    for (const PointMm p : line) out.add(p);
  }
  return out;
}

// The horizontal strokes of this length: the bar, or the arms of the crosses.
std::vector<outside::Line> level(const std::vector<outside::Line>& all, double length_mm) {
  std::vector<outside::Line> out;
  for (const outside::Line& line : all) {
    if (line.size() == 2 && std::abs(line[0].y - line[1].y) <= 0.01 &&
        std::abs(std::abs(line[0].x - line[1].x) - length_mm) <= kTolerance) {
      out.push_back(line);
    }
  }
  return out;
}

// A clip path by its name; Cairo writes none but rectangles here.
Bounds clip_named(const std::string& svg, const std::string& id) {
  Bounds out;
  const std::size_t at = svg.find("<clipPath id=\"" + id + "\">");
  REQUIRE(at != std::string::npos);
  std::istringstream in(svg.substr(svg.find(" d=\"", at) + 4, 400));
  int points = 0;
  PointMm p;
  for (char op = 0; in >> op && (op == 'M' || op == 'L') && in >> p.x >> p.y; ++points) {
    out.add(kMmPerPoint * p);
  }
  REQUIRE(points == 4);
  return out;
}

// What is left inside, in pieces of half a millimetre.
std::vector<outside::Line> clipped(const std::vector<outside::Line>& all, const Bounds& window) {
  std::vector<outside::Line> out;
  for (const outside::Line& line : all) {
    for (std::size_t i = 1; i < line.size(); ++i) {
      const PointMm way = line[i] - line[i - 1];
      const int steps = std::max(1, static_cast<int>(std::ceil(norm(way) / 0.5)));
      bool open = false;
      for (int k = 0; k < steps; ++k) {
        const PointMm a = line[i - 1] + (k / static_cast<double>(steps)) * way;
        const PointMm b = line[i - 1] + ((k + 1) / static_cast<double>(steps)) * way;
        const bool in = window.has(a) && window.has(b);
        if (in && !open) out.push_back({a});
        if (in) out.back().push_back(b);
        open = in;
      }
    }
  }
  return out;
}

// Cuts and marks as they appear on paper. Each group that Poppler clips ends at the next </g>.
std::vector<outside::Line> drawn_on(const std::string& svg) {
  std::vector<outside::Line> out;
  const auto add = [&](const std::string& part, const Bounds* window) {
    for (const std::string& colour : {kCut, kMark}) {
      std::vector<outside::Line> found = lines(part, colour);
      if (window != nullptr) found = clipped(found, *window);
      out.insert(out.end(), found.begin(), found.end());
    }
  };
  const std::string kOpen = "<g clip-path=\"url(#";
  std::size_t at = 0;
  for (std::size_t open = 0; (open = svg.find(kOpen, at)) != std::string::npos;) {
    add(svg.substr(at, open - at), nullptr);
    const std::size_t id = open + kOpen.size();
    const Bounds window = clip_named(svg, svg.substr(id, svg.find(')', id) - id));
    at = svg.find("</g>", open);
    add(svg.substr(open, at - open), &window);
  }
  add(svg.substr(at), nullptr);
  return out;
}

std::vector<outside::Line> exact_lines(const film::CutSheet& sheet) {
  std::vector<outside::Line> out;
  for (const film::CutPath& p : sheet.paths) {
    if (p.kind != film::CutKind::film_edge && p.vertices.size() > 1) {
      out.push_back(outside::exact(p, 2));
    }
  }
  return out;
}

void move_all(std::vector<outside::Line>& all, double scale, PointMm shift) {
  for (outside::Line& line : all) {
    for (PointMm& p : line) p = scale * p + shift;
  }
}

double worst_apart(const std::vector<outside::Line>& a, const std::vector<outside::Line>& b) {
  double worst = 0;
  for (const outside::Line& line : a) worst = std::max(worst, outside::apart(line, b));
  for (const outside::Line& line : b) worst = std::max(worst, outside::apart(line, a));
  return worst;
}

struct Assembled {
  std::vector<outside::Line> cuts;  ///< y down, the first page's upper left cross at the origin
  int pages = 0, columns = 0, rows = 0;
};

struct Steps {
  double x = 0, y = 0;
};

Steps stated_steps(const std::string& map) {
  Steps out;
  const std::size_t at = map.find("cross to cross: ");
  REQUIRE(at != std::string::npos);
  REQUIRE(std::sscanf(map.c_str() + at, "cross to cross: %lf mm across and %lf mm down", &out.x,
                      &out.y) == 2);
  return out;
}

// `printed` is paper mm per file mm.
void add_page(Assembled& out, const std::string& svg, const std::string& words, const Steps& steps,
              double printed, double overlap) {
  // The page's name opens the line that carries the title.
  const std::size_t title = words.find(" sheet under test");
  REQUIRE(title != std::string::npos);
  const std::size_t line_start = words.rfind('\n', title);
  char letter = 0;
  int number = 0;
  REQUIRE(std::sscanf(words.c_str() + (line_start == std::string::npos ? 0 : line_start), " %c%d",
                      &letter, &number) == 2);
  const int row = letter - 'A';
  const int column = number - 1;
  std::vector<outside::Line> ink = lines(svg, kInk);
  move_all(ink, printed, {});
  CHECK(level(ink, 100).size() == 1);
  CHECK(words.find("Print at 100 % (actual size, no fit to page)") != std::string::npos);
  const std::vector<outside::Line> arms = level(ink, std::min(overlap, 8.0));
  REQUIRE(arms.size() == 4);
  Bounds crosses;
  for (const outside::Line& arm : arms) crosses.add(0.5 * (arm[0] + arm[1]));
  // Where a page's crosses lie from each other is how far its neighbours' are from its own.
  CHECK(std::abs(crosses.high.x - crosses.low.x - steps.x) <= kTolerance);
  CHECK(std::abs(crosses.high.y - crosses.low.y - steps.y) <= kTolerance);
  std::vector<outside::Line> drawn = drawn_on(svg);
  move_all(drawn, printed, PointMm{column * steps.x, row * steps.y} - crosses.low);
  out.cuts.insert(out.cuts.end(), drawn.begin(), drawn.end());
  ++out.pages;
  out.columns = std::max(out.columns, column + 1);
  out.rows = std::max(out.rows, row + 1);
}

Assembled assemble(const std::string& pdf, const CutTiling& tiling) {
  const outside::TemporaryFile file(".pdf", pdf);
  const std::vector<std::string> words = words_by_page(file.path());
  const Steps steps = stated_steps(words[0]);
  Assembled out;
  for (std::size_t page = 1; page < words.size(); ++page) {
    add_page(out, page_svg(file.path(), page + 1), words[page], steps, tiling.printed_bar_mm / 100,
             tiling.overlap_mm);
  }
  const std::size_t at = words[0].find(" pages, row by row.");
  REQUIRE(at != std::string::npos);
  int pages = 0;
  int blank = 0;  // stays 0 where the map says that none is
  const std::size_t line_start = words[0].rfind('\n', at);
  REQUIRE(line_start != std::string::npos);
  CHECK(std::sscanf(words[0].c_str() + line_start,
                    " %d pages, row by row. Grey on the map: %d blank", &pages, &blank) >= 1);
  CHECK(pages == out.pages);
  CHECK(out.pages + blank >= out.columns * out.rows);
  return out;
}

// The paths that lie wholly in the lower left: every page costs a run of Poppler.
film::CutSheet part_of(film::CutSheet sheet, double length_mm, double width_mm) {
  const Bounds kept{{0, 0}, {length_mm, width_mm}};
  const auto outside_of_it = [&](const film::CutPath& p) {
    const Bounds b = bounds_of({outside::exact(p, 2)});
    return !kept.has(b.low) || !kept.has(b.high);
  };
  sheet.paths.erase(std::remove_if(sheet.paths.begin(), sheet.paths.end(), outside_of_it),
                    sheet.paths.end());
  sheet.length_mm = length_mm;
  sheet.width_mm = width_mm;
  return sheet;
}

std::string info(const std::string& pdf) {
  const outside::TemporaryFile file(".pdf", pdf);
  return outside::run("pdfinfo", "poppler-utils", file.path());
}

}  // namespace

TEST_CASE("tiles laid cross on cross make the whole outline within 0.05 mm") {
  struct Row {
    film::CutSheet sheet;
    CutTiling tiling;
  };
  const Row rows[] = {{sample::cut_sheet(), {}},
                      {part_of(sample::cut_sheet(), 500, 700), {Paper::letter, 15, 24, 98.75}},
                      {part_of(sample::random_cut_sheet(31), 800, 800), {Paper::a4, 5, 4, 101.5}}};
  for (Row row : rows) {
    row.sheet.title = "sheet under test";
    const Result<std::string> pdf = to_cut_pdf_tiles(row.sheet, row.tiling);
    REQUIRE(pdf.ok());
    Assembled all = assemble(pdf.value(), row.tiling);
    CHECK(all.pages >= 6);
    for (outside::Line& line : all.cuts) {
      for (PointMm& p : line) p.y = -p.y;
    }
    const std::vector<outside::Line> truth = exact_lines(row.sheet);
    move_all(all.cuts, 1, bounds_of(truth).low - bounds_of(all.cuts).low);
    const double worst = worst_apart(all.cuts, truth);
    CAPTURE(worst);
    CHECK(worst <= kTolerance);
  }
}

TEST_CASE("pages show their window and no more, and overlap by what was asked") {
  film::CutSheet sheet;
  sheet.title = "sheet under test";
  sheet.length_mm = 500;
  sheet.width_mm = 700;
  film::CutPath across;
  across.closed = false;
  across.vertices = {{{0, 350}}, {{500, 350}}};
  film::CutPath along;
  along.closed = false;
  along.vertices = {{{250, 0}}, {{250, 700}}};
  sheet.paths = {across, along};
  for (const double overlap : {4.0, 10.0, 40.0}) {
    const outside::TemporaryFile file(
        ".pdf", to_cut_pdf_tiles(sheet, {Paper::a4, 12, overlap, 100}).value());
    const std::vector<std::string> words = words_by_page(file.path());
    const Steps steps = stated_steps(words[0]);
    Bounds shown;
    for (std::size_t page = 2; page <= words.size(); ++page) {
      for (const outside::Line& line : drawn_on(page_svg(file.path(), page))) {
        for (const PointMm p : line) shown.add(p);
      }
    }
    // Half a millimetre is the length of the pieces that the test clips.
    CHECK(std::abs(shown.low.x - 12) <= 0.5);
    CHECK(std::abs(shown.low.y - 12) <= 0.5);
    CHECK(std::abs(shown.high.x - shown.low.x - steps.x - overlap) <= 1);
    CHECK(std::abs(shown.high.y - shown.low.y - steps.y - overlap) <= 1);
  }
}

TEST_CASE("blank tiles are left out, and the map says how many") {
  film::CutSheet sheet;
  sheet.title = "sheet under test";
  sheet.length_mm = 1600;
  sheet.width_mm = 500;
  sheet.paths = {sample::rectangle({0, 0}, {1600, 500}, film::CutKind::film_edge),
                 sample::circle({60, 60}, 40), sample::circle({1540, 440}, 40)};
  const outside::TemporaryFile file(".pdf", to_cut_pdf_tiles(sheet, {}).value());
  const std::vector<std::string> words = words_by_page(file.path());
  CHECK(words.size() == 3);
  CHECK(words[0].find("2 pages, row by row. Grey on the map: ") != std::string::npos);
  CHECK(words[0].find("Check against the glass before you cut.") != std::string::npos);
  CHECK(words[0].find("1600.0 mm") != std::string::npos);
}

TEST_CASE("the long page shows the exact curves at full size, corrected for the printer") {
  for (const double bar : {100.0, 98.5}) {
    for (const film::CutSheet& sheet : {sample::cut_sheet(), sample::random_cut_sheet(41)}) {
      const Result<std::string> pdf = to_cut_pdf_long(sheet, bar);
      REQUIRE(pdf.ok());
      const outside::TemporaryFile file(".pdf", pdf.value());
      const std::string svg = page_svg(file.path(), 1);
      std::vector<outside::Line> drawn = drawn_on(svg);
      move_all(drawn, bar / 100, {});
      for (outside::Line& line : drawn) {
        for (PointMm& p : line) p = {p.x - 10, 10 + sheet.width_mm - p.y};
      }
      CHECK(worst_apart(drawn, exact_lines(sheet)) <= kTolerance);
      CHECK(level(lines(svg, kInk), 100 * 100 / bar).size() == 1);
      double width = 0;
      double height = 0;
      const std::string text = info(pdf.value());
      const std::size_t at = text.find("Page size:");
      REQUIRE(at != std::string::npos);
      REQUIRE(std::sscanf(text.c_str() + at, "Page size: %lf x %lf pts", &width, &height) == 2);
      CHECK(std::abs(width * kMmPerPoint * bar / 100 - sheet.length_mm - 20) <= 0.01);
      CHECK(std::abs(height * kMmPerPoint * bar / 100 - sheet.width_mm - 36) <= 0.01);
    }
  }
}

TEST_CASE("a long page ends where PDF does: 14400 points") {
  film::CutSheet sheet;
  sheet.length_mm = 5060;  // and two margins of 10 mm: 5080 mm, ISO 32000-1, annex C
  sheet.width_mm = 300;
  sheet.paths = {sample::circle({5000, 150}, 50)};
  const Result<std::string> most = to_cut_pdf_long(sheet);
  REQUIRE(most.ok());
  CHECK(info(most.value()).find("Page size:       14400 x ") != std::string::npos);
  sheet.length_mm = 5060.5;
  const Result<std::string> over = to_cut_pdf_long(sheet);
  REQUIRE(!over.ok());
  CHECK(over.error().code == Code::too_large);
  CHECK(over.error().detail.find("make tiles instead") != std::string::npos);
  sheet.length_mm = 5060;
  CHECK(!to_cut_pdf_long(sheet, 99).ok());
}

TEST_CASE("pages are named by row and column, also after row Z") {
  const std::pair<int, std::string> rows[] = {{0, "A3"}, {25, "Z3"}, {26, "AA3"}, {701, "ZZ3"}};
  for (const auto& row : rows) CHECK(Tile{2, row.first, {}, {}}.name() == row.second);
}

TEST_CASE("tiles that make no sense are refused") {
  const auto code_of = [](const film::CutSheet& sheet, const CutTiling& tiling) {
    const Result<std::string> pdf = to_cut_pdf_tiles(sheet, tiling);
    REQUIRE(!pdf.ok());
    CHECK(pdf.error().detail.find('\n') == std::string::npos);
    return pdf.error().code;
  };
  const film::CutSheet sheet = sample::cut_sheet();
  CHECK(code_of(sheet, {Paper::a4, 2, 10, 100}) == Code::bad_usage);
  CHECK(code_of(sheet, {Paper::a4, 10, 41, 100}) == Code::bad_usage);
  CHECK(code_of(sheet, {Paper::a4, 10, std::nan(""), 100}) == Code::bad_usage);
  CHECK(code_of(sheet, {Paper::a4, 10, 10, 96}) == Code::bad_usage);
  film::CutSheet roll;
  roll.length_mm = 49000;
  roll.width_mm = 3000;
  roll.paths = {sample::rectangle({0, 0}, {49000, 3000}),
                sample::rectangle({1000, 1000}, {48000, 2000})};
  CHECK(code_of(roll, {}) == Code::too_large);
  roll.width_mm = 50000;
  CHECK(code_of(roll, {}) == Code::too_large);
  roll.paths.resize(1);
  roll.length_mm = roll.width_mm = 1000;
  roll.paths[0] = sample::rectangle({0, 0}, {1000, 1000}, film::CutKind::film_edge);
  CHECK(code_of(roll, {}) == Code::degenerate_shape);
  film::CutSheet spoilt = sheet;
  spoilt.paths[1].vertices[0].at.x = std::nan("");
  CHECK(code_of(spoilt, {}) == Code::degenerate_shape);
  CHECK(!to_cut_pdf_long(spoilt).ok());
}

TEST_CASE("a clipped group shows nothing outside its window, in SVG as in PDF") {
  Sheet sheet(40, 20, "clip");
  sheet.begin_clip({10, 0}, 15, 20);
  sheet.stroke(Path().move({0, 10}).line({40, 10}), {{0, 0, 0}, 2});
  sheet.end_group();
  sheet.stroke(Path().move({30, 10}).line({35, 10}), {{0, 0, 0}, 2});
  for (const cv::Mat& picture :
       {outside::picture_of_svg(sheet.svg(), 10), outside::picture_of_pdf(sheet.pdf(), 10)}) {
    const cv::Mat row = picture.row(100);
    for (const int x : {110, 175, 240, 310, 340}) CHECK(row.at<unsigned char>(0, x) < 50);
    for (const int x : {50, 90, 260, 290, 360}) CHECK(row.at<unsigned char>(0, x) > 200);
  }
}

TEST_CASE("the same sheet gives the same PDF") {
  const film::CutSheet sheet = sample::cut_sheet();
  CHECK(to_cut_pdf_tiles(sheet, {}).value() == to_cut_pdf_tiles(sheet, {}).value());
  CHECK(to_cut_pdf_long(sheet).value() == to_cut_pdf_long(sheet).value());
}

}  // namespace panecard::drawings
