// SVG read by librsvg, DXF read by GDAL.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <sstream>

#include "drawings/curve.h"
#include "drawings/drawings.h"
#include "film/film.h"
#include "model/model.h"
#include "model/sample.h"
#include "support/outside.h"

using namespace panecard;
using namespace panecard::drawings;

namespace {

constexpr double kTolerance = 0.05;

// Where dark lines cross a row of the picture, px: centroids of the runs that are not white.
std::vector<double> crossings(const cv::Mat& row_or_column) {
  const cv::Mat line = row_or_column.rows == 1 ? row_or_column : row_or_column.t();
  std::vector<double> out;
  double weight = 0;
  double sum = 0;
  for (int x = 0; x <= line.cols; ++x) {
    const double dark = x < line.cols ? 255 - line.at<unsigned char>(0, x) : 0;
    if (dark > 0) {
      weight += dark;
      sum += dark * (x + 0.5);
    } else if (weight > 0) {
      out.push_back(sum / weight);
      weight = sum = 0;
    }
  }
  return out;
}

double off_line(PointMm p, PointMm a, PointMm b) {
  const PointMm along = b - a;
  const double t = std::clamp(dot(p - a, along) / std::max(dot(along, along), 1e-12), 0.0, 1.0);
  return distance(p, a + t * along);
}

double off_outline(PointMm p, const PolygonMm& outline) {
  double best = std::numeric_limits<double>::infinity();
  for (std::size_t i = 0; i < outline.size(); ++i) {
    best = std::min(best, off_line(p, outline[i], outline[(i + 1) % outline.size()]));
  }
  return best;
}

double length(const PolygonMm& line) {
  double sum = 0;
  for (std::size_t i = 1; i < line.size(); ++i) sum += distance(line[i - 1], line[i]);
  return sum;
}

}  // namespace

TEST_CASE("librsvg draws the outline at its true size") {
  constexpr double kPxPerMm = 5;
  const cv::Mat picture = outside::picture_of_svg(to_svg(sample::slider()), kPxPerMm);
  // 486 x 412 mm and a margin of 5 mm.
  CHECK(std::abs(picture.cols / kPxPerMm - 496) <= 1 / kPxPerMm);
  CHECK(std::abs(picture.rows / kPxPerMm - 422) <= 1 / kPxPerMm);
  const std::vector<double> across = crossings(picture.row(picture.rows / 2));
  const std::vector<double> down = crossings(picture.col(picture.cols / 2));
  REQUIRE(across.size() == 2);
  REQUIRE(down.size() == 2);
  CHECK(std::abs((across[1] - across[0]) / kPxPerMm - 486) <= kTolerance);
  CHECK(std::abs((down[1] - down[0]) / kPxPerMm - 412) <= kTolerance);
}

TEST_CASE("librsvg draws arcs where they belong, also a whole circle") {
  constexpr double kPxPerMm = 5;
  const cv::Mat circle = outside::picture_of_svg(to_svg(sample::porthole()), kPxPerMm);
  const std::vector<double> across = crossings(circle.row(circle.rows / 2));
  REQUIRE(across.size() == 2);
  CHECK(std::abs((across[1] - across[0]) / kPxPerMm - 300) <= kTolerance);

  // 3 mm above the lower edge a corner of r = 14 has left the side by 14 - sqrt(14^2 - 11^2).
  const cv::Mat slider = outside::picture_of_svg(to_svg(sample::slider()), kPxPerMm);
  const int row = static_cast<int>(std::lround((5 + 412 - 3) * kPxPerMm));
  const std::vector<double> low = crossings(slider.row(row));
  REQUIRE(low.size() == 4);  // box, outline, outline, box
  const double from_centre = 14 - (5 + 412 - (row + 0.5) / kPxPerMm);
  const double expected = 486 - 2 * (14 - std::sqrt(14 * 14 - from_centre * from_centre));
  CHECK(std::abs((low[2] - low[1]) / kPxPerMm - expected) <= kTolerance);
}

TEST_CASE("GDAL reads the DXF: layers, extent, arcs and every curve on the outline") {
  for (const model::Measurement& m : {sample::slider(), sample::door(), sample::hostile()}) {
    const std::vector<outside::DxfFeature> features = outside::read_dxf(to_dxf(m));
    REQUIRE(features.size() >= 9);
    PolygonMm box;
    PolygonMm drawn;
    double perimeter = 0;
    double not_seen = 0;
    for (const outside::DxfFeature& f : features) {
      const bool known = f.layer == "OUTLINE" || f.layer == "NOT_SEEN" || f.layer == "BOX";
      CHECK(known);
      if (f.layer == "BOX") {
        box = f.points;
        continue;
      }
      drawn.insert(drawn.end(), f.points.begin(), f.points.end());
      perimeter += length(f.points);
      if (f.layer == "NOT_SEEN") not_seen += length(f.points);
    }
    REQUIRE(box.size() == 5);
    const double side = distance(box[0], box[1]);
    const double other = distance(box[1], box[2]);
    CHECK(std::abs(std::max(side, other) - m.outline.long_mm.value) <= kTolerance);
    CHECK(std::abs(std::min(side, other) - m.outline.short_mm.value) <= kTolerance);

    // The box's centre ties the DXF's frame to the outline's.
    const PointMm shift = 0.5 * (box[0] + box[2]) - m.outline.box.centre;
    double worst = 0;
    for (const PointMm p : drawn) worst = std::max(worst, off_outline(p - shift, m.outline.points));
    CHECK(worst <= kTolerance);
    // And back: no stretch of the outline is missing or cut short by a chord.
    double missed = 0;
    for (const PointMm p : m.outline.points) {
      double best = std::numeric_limits<double>::infinity();
      for (const outside::DxfFeature& f : features) {
        if (f.layer == "BOX") continue;
        for (std::size_t i = 1; i < f.points.size(); ++i) {
          best = std::min(best, off_line(p + shift, f.points[i - 1], f.points[i]));
        }
      }
      missed = std::max(missed, best);
    }
    CHECK(missed <= kTolerance);
    CHECK(std::abs(perimeter - m.outline.perimeter_mm.value) <= 0.1);
    CHECK((not_seen > 100) == (m.outline.seen_fraction < 1));
  }
}

TEST_CASE("the DXF states R12, millimetres, metric, and real entities") {
  const std::string dxf = to_dxf(sample::door());
  CHECK(dxf.find("$ACADVER\n1\nAC1009\n") != std::string::npos);
  CHECK(dxf.find("$INSUNITS\n70\n4\n") != std::string::npos);
  CHECK(dxf.find("$MEASUREMENT\n70\n1\n") != std::string::npos);
  for (const char* entity : {"\nLINE\n", "\nARC\n", "\nPOLYLINE\n"}) {
    CHECK(dxf.find(entity) != std::string::npos);
  }
  const std::string hostile = to_dxf(sample::hostile());
  CHECK(hostile.find("\nEOF\n") == hostile.size() - 5);
  CHECK(std::all_of(hostile.begin(), hostile.end(),
                    [](char c) { return c == '\n' || (c >= ' ' && c < 127); }));
}

TEST_CASE("a full circle becomes arcs that together turn once") {
  double sweep = 0;
  for (const Segment& s : segments(sample::porthole().outline)) {
    CHECK(std::abs(s.sweep_rad) < std::numbers::pi);
    sweep += s.sweep_rad;
  }
  CHECK(std::abs(sweep - 2 * std::numbers::pi) < 1e-12);
}

TEST_CASE("pieces are split where the seen flags change, and stay one closed curve") {
  const model::Measurement m = sample::door();
  const std::vector<Segment> all = segments(m.outline);
  double unseen = 0;
  double total = 0;
  for (std::size_t i = 0; i < all.size(); ++i) {
    CHECK(distance(all[i].end, all[(i + 1) % all.size()].start) < 1e-9);
    const double l = length(flatten(all[i], 0.001));
    total += l;
    if (!all[i].seen) unseen += l;
  }
  CHECK(bridged(all).size() == 2);
  // 20 of 48 points of the cubic and 7 of 48 of the first line were bridged, each point standing
  // for the chord around it.
  const double expected = m.outline.pieces[0].length_mm.value * 7 / 48;
  double first_line = 0;
  double cubic = 0;
  for (const Segment& s : all) {
    if (!s.seen && s.piece == 0) first_line += length(flatten(s, 0.001));
    if (!s.seen && s.piece == 4) cubic += length(flatten(s, 0.001));
  }
  CHECK(std::abs(first_line - expected) < 0.1);
  CHECK(std::abs(cubic / m.outline.pieces[4].length_mm.value - 20.0 / 48) < 0.01);
  CHECK(std::abs(unseen - first_line - cubic) < 1e-9);
  CHECK(std::abs(total - m.outline.perimeter_mm.value) < 0.1);
}

TEST_CASE("chords of a free curve stay within what was asked") {
  const model::Measurement m = sample::door();
  for (const Segment& s : segments(m.outline)) {
    const PolygonMm fine = flatten(s, 1e-5);
    const PolygonMm coarse = flatten(s, 0.02);
    for (const PointMm p : fine) {
      double best = 1e9;
      for (std::size_t i = 1; i < coarse.size(); ++i) {
        best = std::min(best, off_line(p, coarse[i - 1], coarse[i]));
      }
      CHECK(best <= 0.02);
    }
  }
}
