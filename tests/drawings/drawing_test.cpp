// The dimension drawing, read by Poppler and librsvg.
#include <doctest/doctest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>
#include <sstream>

#include "drawings/drawings.h"
#include "drawings/labels.h"
#include "model/model.h"
#include "model/sample.h"
#include "report/report.h"
#include "support/outside.h"

using namespace panecard;
using namespace panecard::drawings;

namespace {

struct Word {
  double left, top, right, bottom;
  std::string text;
};

double attribute(const std::string& line, const std::string& name) {
  const std::size_t at = line.find(name + "=\"");
  return at == std::string::npos ? NAN : std::stod(line.substr(at + name.size() + 2));
}

std::vector<Word> words_of_pdf(const std::string& pdf) {
  const outside::TemporaryFile file(".pdf", pdf);
  std::istringstream lines(
      outside::run("pdftotext", "poppler-utils", "-bbox " + file.path() + " -"));
  std::vector<Word> out;
  for (std::string line; std::getline(lines, line);) {
    const std::size_t open = line.find("<word");
    if (open == std::string::npos) continue;
    const std::size_t begin = line.find('>', open) + 1;
    out.push_back({attribute(line, "xMin"), attribute(line, "yMin"), attribute(line, "xMax"),
                   attribute(line, "yMax"), line.substr(begin, line.rfind('<') - begin)});
  }
  return out;
}

std::string text_of_pdf(const std::string& pdf) {
  std::string out;
  for (const Word& word : words_of_pdf(pdf)) out += word.text + " ";
  return out;
}

std::string pdf_of_svg(const std::string& svg) {
  const outside::TemporaryFile file(".svg", svg);
  return outside::run("rsvg-convert", "librsvg2-bin", "-f pdf " + file.path());
}

// Centroids of the accent's runs along a row; the pale band has R - B = 41.
std::vector<double> accent_crossings(const cv::Mat& row) {
  std::vector<double> out;
  double weight = 0;
  double sum = 0;
  for (int x = 0; x < row.cols; ++x) {
    const auto bgr = row.at<cv::Vec3b>(0, x);
    const double strength = std::max(0, bgr[2] - bgr[0] - 60);
    if (strength > 0) {
      weight += strength;
      sum += strength * (x + 0.5);
    } else if (weight > 0) {
      out.push_back(sum / weight);
      weight = sum = 0;
    }
  }
  return out;
}

}  // namespace

TEST_CASE("the drawing is A4 landscape and dated by a constant") {
  const outside::TemporaryFile file(".pdf", to_drawing_pdf(sample::door(), Units::mm));
  const std::string info = outside::run("pdfinfo", "poppler-utils", file.path());
  // ISO 216 A4 in points of 1/72 in.
  CHECK(info.find("841.89 x 595.276 pts (A4)") != std::string::npos);
  CHECK(info.find("2000") != std::string::npos);
  CHECK(to_drawing_pdf(sample::door(), Units::mm) == to_drawing_pdf(sample::door(), Units::mm));
}

TEST_CASE("the outline on the drawing has the size that its scale says") {
  constexpr double kPxPerMm = 10;
  const cv::Mat page =
      outside::picture_of_pdf(to_drawing_pdf(sample::slider(), Units::mm), kPxPerMm, true);
  CHECK(text_of_pdf(to_drawing_pdf(sample::slider(), Units::mm)).find("1 : 3") !=
        std::string::npos);
  const std::vector<double> across = accent_crossings(page.row(700));
  REQUIRE(across.size() == 2);
  CHECK(std::abs((across[1] - across[0]) / kPxPerMm - 486.0 / 3) <= 0.05);
}

TEST_CASE("the drawing states every dimension, in both of its formats") {
  const std::string from_pdf = text_of_pdf(to_drawing_pdf(sample::slider(), Units::mm));
  const std::string from_svg = text_of_pdf(pdf_of_svg(to_drawing_svg(sample::slider(), Units::mm)));
  for (const std::string& text : {from_pdf, from_svg}) {
    for (const char* wanted :
         {"486.00", "412.00", "458.00", "384.00", "14.00", "625.68", "90.00", "sample-pane.jpg",
          "Check against the glass before you cut.", "edge of the visible glass", "1 : 3"}) {
      CAPTURE(wanted);
      CHECK(text.find(wanted) != std::string::npos);
    }
  }
  const std::string inch = text_of_pdf(to_drawing_pdf(sample::slider(), Units::inch));
  CHECK(inch.find("19.134") != std::string::npos);  // 486 / 25.4 = 19.1339
  CHECK(inch.find("19 1/8") != std::string::npos);
}

TEST_CASE("no two words of the drawing touch") {
  for (const model::Measurement& m : {sample::slider(), sample::porthole()}) {
    const std::vector<Word> words = words_of_pdf(to_drawing_pdf(m, Units::mm));
    REQUIRE(words.size() > 40);
    for (std::size_t i = 0; i < words.size(); ++i) {
      for (std::size_t k = i + 1; k < words.size(); ++k) {
        const Word& a = words[i];
        const Word& b = words[k];
        // Boxes hold the font's full ascent; half a point of it may overlap.
        const bool touch = a.left + 0.5 < b.right && b.left + 0.5 < a.right &&
                           a.top + 0.5 < b.bottom && b.top + 0.5 < a.bottom;
        CAPTURE(a.text);
        CAPTURE(b.text);
        CHECK(!touch);
      }
    }
  }
}

TEST_CASE("the drawing holds the whole verdict, however much there is to say") {
  model::Measurement m = sample::slider();
  m.verdict = "The sides are good to 1.15 mm and 0.99 mm.";
  for (int i = 0; i < 8; ++i) m.verdict += " It says why they are not better, and what would help.";
  m.verdict += " These are the last words.";
  std::string text = text_of_pdf(to_drawing_pdf(m, Units::mm));
  std::replace(text.begin(), text.end(), '\n', ' ');
  CHECK(text.find("last words.") != std::string::npos);
}

TEST_CASE("SVG and PDF show the same drawing") {
  for (const model::Measurement& m : {sample::door(), sample::slider()}) {
    const cv::Mat pdf = outside::picture_of_pdf(to_drawing_pdf(m, Units::mm), 4);
    cv::Mat svg = outside::picture_of_svg(to_drawing_svg(m, Units::mm), 4);
    REQUIRE(std::abs(pdf.cols - svg.cols) <= 1);
    REQUIRE(std::abs(pdf.rows - svg.rows) <= 1);
    const cv::Rect common(0, 0, std::min(pdf.cols, svg.cols), std::min(pdf.rows, svg.rows));
    cv::Mat a;
    cv::Mat b;
    cv::blur(pdf(common), a, {9, 9});
    cv::blur(svg(common), b, {9, 9});
    double worst = 0;
    cv::minMaxLoc(cv::abs(a - b), nullptr, &worst);
    CHECK(worst < 40);  // a line out of its place gives more than 100
  }
}

TEST_CASE("extreme outlines still make a drawing") {
  // 4.86 x 4.12 mm, less than a line of its own text is high.
  const model::Measurement tiny = sample::slider(0.01);
  for (const model::Measurement& m : {model::Measurement{}, tiny}) {
    CHECK(to_drawing_svg(m, Units::mm).size() > 1000);
    CHECK(to_drawing_pdf(m, Units::mm).size() > 1000);
    CHECK(to_svg(m).size() > 100);
    CHECK(to_dxf(m).size() > 100);
    CHECK(report::to_table(m, Units::mm).size() > 50);
  }
  const std::string small = text_of_pdf(to_drawing_pdf(tiny, Units::mm));
  for (const char* wanted : {"4.86", "4.12", "1 : 1 "}) {
    CAPTURE(wanted);
    CHECK(small.find(wanted) != std::string::npos);
  }
  model::Measurement many;
  for (int i = 0; i < 300; ++i) {
    outline::Piece p;
    const double a = 0.02094395 * i;
    p.start = {500 * std::cos(a), 400 * std::sin(a)};
    p.end = {500 * std::cos(a + 0.02094395), 400 * std::sin(a + 0.02094395)};
    p.name = "edge " + std::to_string(i);
    p.length_mm = {10, 0.5};
    many.outline.pieces.push_back(p);
    many.outline.points.push_back(p.start);
  }
  many.outline.box = min_area_box(many.outline.points);
  const std::string text = text_of_pdf(to_drawing_pdf(many, Units::mm));
  CHECK(text.find("more lines in the result file") != std::string::npos);
}

TEST_CASE("a label field refuses what overlaps, crosses or leaves the page") {
  LabelField field({0, 0}, {100, 100});
  field.add_label({{50, 50}, 20, 4, 0});
  field.add_line({0, 80}, {100, 80}, 40);
  struct Row {
    const char* what;
    Label label;
    double cost;
  };
  const Row rows[] = {
      {"free", {{20, 20}, 10, 4, 0}, 0},
      {"on the label", {{58, 51}, 10, 4, 0}, LabelField::kBlocked},
      {"beside it, though the circles about them meet", {{50, 55}, 20, 4, 0}, 0},
      {"turned by 45 deg, passing the corner", {{62, 56}, 8, 4, -45}, 0},
      {"turned by 45 deg, hitting the corner", {{62, 52}, 8, 4, -45}, LabelField::kBlocked},
      {"on the line", {{20, 80}, 10, 4, 0}, 40},
      {"upright across the line", {{20, 76}, 10, 4, 90}, 40},
      {"flat, short of the line", {{20, 76}, 10, 4, 0}, 0},
      {"two corners off the page", {{2, 20}, 10, 4, 0}, 2 * LabelField::kBlocked},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    CHECK(field.cost(row.label) == row.cost);
  }
}

TEST_CASE("texts read from below or from the right") {
  struct Row {
    double turn, upright;
  };
  for (const Row row : {Row{0, 0},
                        {180, 0},
                        {45, 45},
                        {-45, -45},
                        {90, -90},
                        {-90, -90},
                        {88, -92},
                        {135, -45},
                        {225, 45}}) {
    CAPTURE(row.turn);
    CHECK(std::abs(upright_deg(row.turn) - row.upright) < 1e-9);
  }
}
