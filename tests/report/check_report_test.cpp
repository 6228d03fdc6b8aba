// What a check says, in every form, read back by programs that are not ours.
#include <doctest/doctest.h>

#include <nlohmann/json.hpp>

#include "drawings/drawings.h"
#include "model/model.h"
#include "model/sample.h"
#include "records/records.h"
#include "report/report.h"
#include "support/outside.h"

namespace panecard::report {

using nlohmann::json;

namespace {

/// The slider of 486 x 412 mm with a print scale known to half a thousandth and a trace of noise.
CheckReport slider_report(std::optional<check::Wanted> wanted) {
  const model::Measurement m = sample::slider();
  check::Shape shape;
  Contour& c = shape.contour;
  c.points = m.outline.points;
  c.points_px = m.outline.points_px;
  c.sigma_mm.assign(c.points.size(), 0.02);
  c.modes.resize(1);
  for (const PointMm p : c.points) c.modes[0].push_back(5e-4 * p);
  c.mode_sources = {ErrorSource::lens};
  shape.u95_mm.assign(c.points.size(), 0.3);
  CheckReport report;
  report.name = "slider.jpg";
  report.boundary = m.boundary;
  report.rectangle = check::fit_rectangle(shape).value();
  if (wanted) report.fits = check::fits(report.rectangle, *wanted);
  report.blank = check::blank_for(shape, report.rectangle, 10);
  return report;
}

}  // namespace

TEST_CASE("a check's table says size, squareness, blank and verdict") {
  struct Row {
    check::Wanted wanted;
    const char* verdict;
  };
  const std::vector<Row> rows = {
      {{486, 412, 2}, "Verdict: fits"},
      {{480, 412, 2}, "Verdict: does not fit: width at the bottom is 486.0"},
      // 1.645 and 2 standard uncertainties of 0.24 mm: neither proves 486 within 485.7 and 486.3.
      {{486, 412, 0.3}, "calibrate the phone"}};
  for (const Row& row : rows) {
    const std::string table = to_check_table(slider_report(row.wanted), Units::mm);
    CAPTURE(table);
    CHECK(table.find(row.verdict) != std::string::npos);
    CHECK(table.find("Square within what the photo can tell") != std::string::npos);
    // 486 + 2 x 10 + 2 x 0.3, rounded up.
    CHECK(table.find("Blank to cut: 507 x 433 mm") != std::string::npos);
    CHECK(table.find("sharp corners") != std::string::npos);
  }
  const std::string inches = to_check_table(slider_report(std::nullopt), Units::inch);
  CHECK(inches.find("19.134") != std::string::npos);  // 486 / 25.4
  // 507 / 25.4 = 19.961, 433 / 25.4 = 17.047; in sixteenths 319.4 and 272.8, rounded up as well.
  CHECK(inches.find("Blank to cut: 19.97 (20) x 17.05 (17 1/16) in") != std::string::npos);
  CHECK(inches.find("Verdict") == std::string::npos);
}

TEST_CASE("a check's JSON parses and has every value with its U95") {
  const json j = json::parse(records::to_check_json(slider_report(check::Wanted{486, 412, 2})));
  CHECK(j.at("format") == "panecard-check");
  CHECK(j.at("values").size() == 21);
  CHECK(j.at("fits") == "yes");
  CHECK(j.at("out_of_square") == "no");
  CHECK(j.at("decisions").size() == 9);
  for (const json& value : j.at("values")) CHECK(value.at("u95").get<double>() > 0);
  CHECK(std::abs(j.at("values")[0].at("value").get<double>() - 486) < 0.01);
  // Half a thousandth of 486 mm, twice: what the scale alone makes.
  CHECK(std::abs(j.at("values")[0].at("u95").get<double>() - 0.486) < 0.02);
  CHECK(j.at("values")[0].at("main_source") == "lens");
}

TEST_CASE("a check's drawing is an A4 page with its words, alike as PDF and as SVG") {
  const CheckReport report = slider_report(check::Wanted{486, 412, 2});
  const std::string pdf = drawings::to_check_drawing_pdf(report, Units::mm);
  CHECK(pdf == drawings::to_check_drawing_pdf(report, Units::mm));
  const outside::TemporaryFile file(".pdf", pdf);
  const std::string words =
      outside::run("pdftotext", "poppler-utils", "-layout " + file.path() + " -");
  for (const char* word : {"slider.jpg", "Verdict: fits", "width at the bottom", "Blank to cut",
                           "times as large", "Drawn 1 : 4"}) {
    CAPTURE(word);
    CHECK(words.find(word) != std::string::npos);
  }
  const cv::Mat a = outside::picture_of_pdf(pdf, 2),
                b = outside::picture_of_svg(drawings::to_check_drawing_svg(report, Units::mm), 2);
  CHECK(std::abs(a.cols - 2 * 297) <= 1);  // ISO 216
  CHECK(std::abs(a.rows - 2 * 210) <= 1);
  REQUIRE(std::abs(a.cols - b.cols) <= 1);
  REQUIRE(std::abs(a.rows - b.rows) <= 1);
  const cv::Rect both(0, 0, std::min(a.cols, b.cols), std::min(a.rows, b.rows));
  CHECK(cv::mean(a(both))[0] < 254);  // something is drawn
  CHECK(std::abs(cv::mean(a(both))[0] - cv::mean(b(both))[0]) < 0.5);
}

TEST_CASE("a comparison says gap, overlap, where and verdict") {
  CompareReport report;
  report.first = "a.jpg", report.second = "b.jpg";
  report.tolerance_mm = 2;
  report.comparison.reference = report.comparison.registered = sample::slider().outline.points;
  report.comparison.off_mm.assign(report.comparison.reference.size(), 0.1);
  report.comparison.u95_mm.assign(report.comparison.reference.size(), 0.5);
  report.comparison.gap = {3.2, 0.5, {0, 0}, "top, 1 o'clock"};
  report.comparison.overlap = {0.1, 0.5, {0, 0}, "left, 9 o'clock"};
  report.comparison.same = check::Verdict::no;
  const std::string table = to_compare_table(report, Units::mm);
  CAPTURE(table);
  CHECK(table.find("different: a gap of 3.20 \u00b1 0.50 mm at the top, 1 o'clock") !=
        std::string::npos);
  const json j = json::parse(records::to_compare_json(report));
  CHECK(j.at("same") == "no");
  CHECK(j.at("largest_gap").at("size_mm") == 3.2);
  CHECK(drawings::to_compare_drawing_pdf(report, Units::mm).starts_with("%PDF"));
}

}  // namespace panecard::report
