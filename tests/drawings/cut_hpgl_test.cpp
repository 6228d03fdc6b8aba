// HP-GL held against the exact curves: read by hp2xx, and by a strict reader of the five
// instructions that every cutter knows (HP-GL: "The HP-GL/2 and HP RTL Reference Guide", IN, SP,
// PU, PD; one plotter unit is 0.025 mm).
#include <doctest/doctest.h>

#include <algorithm>
#include <cctype>
#include <cmath>
#include <map>
#include <sstream>
#include <stdexcept>

#include "drawings/drawings.h"
#include "film/cut_shapes.h"
#include "film/film.h"
#include "support/outside.h"

namespace panecard::drawings {
namespace {

struct Stroke {
  int pen = 0;
  outside::Line points;
};

// Throws at whatever is not IN; SPn; PU; PUx,y; or PDx,y; in an order that makes sense.
class Reader {
 public:
  Reader(const std::string& text, double units_per_mm) : units_per_mm_(units_per_mm) {
    std::istringstream in(text);
    std::string word;
    for (bool first = true; std::getline(in, word, ';'); first = false) {
      word.erase(0, word.find_first_not_of('\n'));
      if (word.empty()) continue;
      if (first != (word == "IN")) throw std::runtime_error("IN must come first, once");
      if (!first) obey(word);
    }
    if (pen_ != 0 || down_) throw std::runtime_error("the pen was not put away");
  }
  std::vector<Stroke> strokes;

 private:
  void obey(const std::string& word) {
    const std::string name = word.substr(0, 2);
    const std::string rest = word.substr(2);
    if (name == "SP") {
      if (down_) throw std::runtime_error("pen changed while down");
      pen_ = static_cast<int>(whole(rest));
    } else if (name == "PU" && rest.empty()) {
      down_ = false;
    } else if (name == "PU" || name == "PD") {
      const std::size_t comma = rest.find(',');
      if (comma == std::string::npos) throw std::runtime_error("no pair: " + word);
      move(name == "PD", {static_cast<double>(whole(rest.substr(0, comma))),
                          static_cast<double>(whole(rest.substr(comma + 1)))});
    } else {
      throw std::runtime_error("unknown instruction: " + word);
    }
  }

  void move(bool down, PointMm units) {
    const PointMm p = (1 / units_per_mm_) * units;
    if (down && pen_ == 0) throw std::runtime_error("drawn without a pen");
    if (!down && down_) throw std::runtime_error("lifted by a move");
    if (down && !down_) strokes.push_back({pen_, {at_}});
    if (down) strokes.back().points.push_back(p);
    down_ = down;
    at_ = p;
  }

  static long whole(const std::string& digits) {
    const bool good = !digits.empty() && digits.size() < 8 &&
                      std::all_of(digits.begin(), digits.end(),
                                  [](unsigned char c) { return std::isdigit(c) != 0; });
    if (!good) throw std::runtime_error("not a whole number from 0: " + digits);
    return std::stol(digits);
  }

  double units_per_mm_;
  int pen_ = 0;
  bool down_ = false;
  PointMm at_;
};

std::vector<outside::Line> lines_of(const std::vector<Stroke>& strokes) {
  std::vector<outside::Line> out;
  out.reserve(strokes.size());
  for (const Stroke& s : strokes) out.push_back(s.points);
  return out;
}

std::vector<film::CutPath> of_kind(const film::CutSheet& sheet, film::CutKind kind) {
  std::vector<film::CutPath> out;
  for (const film::CutPath& p : sheet.paths) {
    if (p.kind == kind && p.vertices.size() > 1) out.push_back(p);
  }
  return out;
}

std::vector<outside::Line> exact_cuts(const film::CutSheet& sheet) {
  std::vector<outside::Line> out;
  for (const film::CutPath& p : of_kind(sheet, film::CutKind::cut))
    out.push_back(outside::exact(p, 2));
  return out;
}

double worst_apart(const std::vector<outside::Line>& a, const std::vector<outside::Line>& b) {
  double worst = 0;
  for (const outside::Line& line : a) worst = std::max(worst, outside::apart(line, b));
  for (const outside::Line& line : b) worst = std::max(worst, outside::apart(line, a));
  return worst;
}

double least_x(const outside::Line& line) {
  double least = 1e300;
  for (const PointMm p : line) least = std::min(least, p.x);
  return least;
}

}  // namespace

TEST_CASE("the plot stays within the chord deviation of the exact curves, rounding included") {
  for (const double units : {40.0, 100.0}) {
    for (const double chord : {0.02, 0.1}) {
      for (std::uint32_t seed = 0; seed < 4; ++seed) {
        const film::CutSheet sheet =
            seed == 0 ? sample::cut_sheet() : sample::random_cut_sheet(seed);
        HpglOptions options;
        options.units_per_mm = units;
        options.chord_mm = chord;
        const Result<std::string> hpgl = to_hpgl(sheet, options);
        REQUIRE(hpgl.ok());
        const std::vector<Stroke> strokes = Reader(hpgl.value(), units).strokes;
        const std::vector<outside::Line> truth = exact_cuts(sheet);
        CHECK(strokes.size() == truth.size());
        for (const Stroke& s : strokes) CHECK(s.pen == 1);
        CHECK(worst_apart(lines_of(strokes), truth) <= chord + 0.0011);  // truth's own chords
      }
    }
  }
}

TEST_CASE("hp2xx plots the same curves within 0.05 mm") {
  for (const film::CutSheet& sheet : {sample::cut_sheet(), sample::random_cut_sheet(21)}) {
    const outside::TemporaryFile plot(".plt", to_hpgl(sheet, {}).value());
    const outside::TemporaryFile dxf(".dxf", "");
    outside::run("hp2xx", "hp2xx", "-q -t -m dxf -f " + dxf.path() + " " + plot.path());
    std::istringstream text(outside::run("ogrinfo", "gdal-bin", "-ro -al " + dxf.path()));
    std::vector<outside::Line> read;
    for (std::string line; std::getline(text, line);) {
      if (line.find("LINESTRING Z (") == std::string::npos) continue;
      PointMm a;
      PointMm b;
      REQUIRE(std::sscanf(line.c_str(), " LINESTRING Z (%lf %lf 0,%lf %lf 0)", &a.x, &a.y, &b.x,
                          &b.y) == 4);
      read.push_back({a, b});
    }
    REQUIRE(read.size() > 100);
    // hp2xx moves the plot's lower left corner to the origin.
    const std::vector<outside::Line> truth = exact_cuts(sheet);
    PointMm low{1e300, 1e300};
    for (const outside::Line& line : truth) {
      for (const PointMm p : line) low = {std::min(low.x, p.x), std::min(low.y, p.y)};
    }
    for (outside::Line& line : read) {
      for (PointMm& p : line) p = p + low;
    }
    const double worst = worst_apart(read, truth);
    CHECK(worst <= 0.05);
  }
}

TEST_CASE("cuts go along the roll, and what lies inside a shape goes before it") {
  film::CutSheet sheet;
  sheet.length_mm = 1000;
  sheet.width_mm = 500;
  sheet.paths = {sample::rectangle({600, 10}, {900, 400}),
                 sample::circle({800, 100}, 5),
                 sample::rectangle({0, 0}, {1000, 500}, film::CutKind::film_edge),
                 sample::rectangle({10, 10}, {500, 400}),
                 sample::circle({300, 200}, 100),
                 sample::circle({300, 250}, 20),
                 sample::circle({650, 100}, 5),
                 sample::rectangle({510, 10}, {590, 60})};
  const std::vector<Stroke> strokes = Reader(to_hpgl(sheet, {}).value(), 40).strokes;
  std::vector<double> starts;
  starts.reserve(strokes.size());
  for (const Stroke& s : strokes) starts.push_back(least_x(s.points));
  CHECK(starts == std::vector<double>{280, 200, 10, 510, 645, 795, 600});

  // Of every two cuts of a random sheet: inside first, else by the outer shape's smallest x.
  const film::CutSheet random = sample::random_cut_sheet(5);
  double reached = -1;
  int holes = 0;
  const std::vector<Stroke> all = Reader(to_hpgl(random, {}).value(), 40).strokes;
  for (std::size_t i = 0; i < all.size(); ++i) {
    const double x = least_x(all[i].points);
    if (i + 1 < all.size() && contains(all[i + 1].points, all[i].points.front())) {
      ++holes;
      CHECK(x > reached);
      continue;
    }
    CHECK(x >= reached);
    reached = x;
  }
  CHECK(holes >= 1);
}

TEST_CASE("overcut goes on along the path past its start, of closed cuts only") {
  film::CutSheet sheet;
  sheet.length_mm = sheet.width_mm = 100;
  film::CutPath slit;
  slit.closed = false;
  slit.vertices = {{{80, 10}}, {{90, 10}}};
  sheet.paths = {sample::rectangle({10, 10}, {13, 60}), slit, sample::circle({50, 50}, 10)};
  HpglOptions options;
  options.overcut_mm = 5;
  const std::vector<Stroke> strokes = Reader(to_hpgl(sheet, options).value(), 40).strokes;
  REQUIRE(strokes.size() == 3);
  // 3 mm along the first edge, then 2 mm up the second.
  CHECK(std::abs(outside::length_of(strokes[0].points) - (106 + 5)) <= 1e-9);
  CHECK(distance(strokes[0].points.back(), {13, 12}) <= 1e-9);
  CHECK(distance(strokes[2].points.back(), {90, 10}) <= 1e-9);
  // From (40, 50) counter-clockwise: 5 mm on r = 10 is half a radian.
  const PointMm end{50 - 10 * std::cos(0.5), 50 - 10 * std::sin(0.5)};
  CHECK(distance(strokes[1].points.back(), end) <= 0.02 + 0.01);
  // Longer than the way around: once more around, no further.
  sheet.paths = {sample::rectangle({10, 10}, {11, 11})};
  options.overcut_mm = 20;
  const std::vector<Stroke> twice = Reader(to_hpgl(sheet, options).value(), 40).strokes;
  CHECK(std::abs(outside::length_of(twice[0].points) - 8) <= 1e-9);
}

TEST_CASE(
    "marks are plotted only when asked for, first, with their own pen; the offset moves all") {
  const film::CutSheet sheet = sample::cut_sheet();
  HpglOptions options;
  options.draw_marks = true;
  options.cut_pen = 3;
  options.mark_pen = 7;
  options.offset = {100.5, 20};
  const std::vector<Stroke> strokes = Reader(to_hpgl(sheet, options).value(), 40).strokes;
  REQUIRE(strokes.size() == of_kind(sheet, film::CutKind::cut).size() + 1);
  CHECK(strokes[0].pen == 7);
  CHECK(distance(strokes[0].points.front(), {640.5, 620}) <= 1e-9);
  CHECK(distance(strokes[0].points.back(), {700.5, 620}) <= 1e-9);
  for (std::size_t i = 1; i < strokes.size(); ++i) CHECK(strokes[i].pen == 3);
}

TEST_CASE("what the machine cannot reach is refused with how far beyond it lies") {
  struct Row {
    const char* words;
    double max_length, max_width;
    PointMm offset;
  };
  // The pane ends at x = 1120; the arched strip at x = 1150 and y = 800 + 12.4223.
  const Row rows[] = {{"path 6 (windscreen strip) reaches 0.50 mm beyond the machine's length of "
                       "1149.5 mm",
                       1149.5,
                       900,
                       {}},
                      {"beyond the machine's width of 800 mm", 1200, 800, {}},
                      {"starts 0.25 mm below zero", 1200, 900, {-30.25, 0}},
                      {"starts 5.00 mm below zero", 1200, 900, {0, -35}}};
  for (const Row& row : rows) {
    CAPTURE(row.words);
    HpglOptions options;
    options.max_length_mm = row.max_length;
    options.max_width_mm = row.max_width;
    options.offset = row.offset;
    const Result<std::string> hpgl = to_hpgl(sample::cut_sheet(), options);
    CHECK(!hpgl.ok());
    if (hpgl.ok()) continue;
    CAPTURE(hpgl.error().detail);
    CHECK(hpgl.error().code == Code::bad_usage);
    CHECK(hpgl.error().detail.find(row.words) != std::string::npos);
  }
  HpglOptions just;
  just.max_length_mm = 1150;
  just.max_width_mm = 870;
  just.offset = {-30, -30};
  CHECK(to_hpgl(sample::cut_sheet(), just).ok());
}

TEST_CASE("plotter options outside their range are refused") {
  const auto refused = [](auto spoil) {
    HpglOptions options;
    spoil(options);
    const Result<std::string> hpgl = to_hpgl(sample::cut_sheet(), options);
    return !hpgl.ok() && hpgl.error().code == Code::bad_usage;
  };
  CHECK(refused([](HpglOptions& o) { o.units_per_mm = 0; }));
  CHECK(refused([](HpglOptions& o) { o.units_per_mm = std::nan(""); }));
  CHECK(refused([](HpglOptions& o) { o.offset.x = std::nan(""); }));
  CHECK(refused([](HpglOptions& o) { o.max_width_mm = 0; }));
  CHECK(refused([](HpglOptions& o) { o.overcut_mm = -1; }));
  CHECK(refused([](HpglOptions& o) { o.chord_mm = 0; }));
  CHECK(refused([](HpglOptions& o) { o.cut_pen = 0; }));
  // Half the diagonal of a unit of 0.025 mm is 0.0177 mm.
  CHECK(refused([](HpglOptions& o) { o.chord_mm = 0.0177; }));
  film::CutSheet empty = sample::cut_sheet();
  empty.paths.resize(1);
  CHECK(!to_hpgl(empty, {}).ok());
}

}  // namespace panecard::drawings
