#include "film/cut_shapes.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <limits>
#include <numbers>
#include <random>
#include <sstream>
#include <stdexcept>

#include "film/film.h"

namespace panecard::sample {
namespace {

constexpr double kQuarter = 0.41421356237309503;  // tan(90 deg / 4) = sqrt(2) - 1

film::CutPath rounded(PointMm low, PointMm high, double r) {
  film::CutPath out;
  out.vertices = {{{low.x + r, low.y}},   {{high.x - r, low.y}, kQuarter},
                  {{high.x, low.y + r}},  {{high.x, high.y - r}, kQuarter},
                  {{high.x - r, high.y}}, {{low.x + r, high.y}, kQuarter},
                  {{low.x, high.y - r}},  {{low.x, low.y + r}, kQuarter}};
  return out;
}

}  // namespace

film::CutPath rectangle(PointMm low, PointMm high, film::CutKind kind) {
  film::CutPath out;
  out.kind = kind;
  out.vertices = {{low}, {{high.x, low.y}}, {high}, {{low.x, high.y}}};
  return out;
}

film::CutPath circle(PointMm centre, double r) {
  film::CutPath out;
  out.vertices = {{centre - PointMm{r, 0}, 1}, {centre + PointMm{r, 0}, 1}};
  return out;
}

film::CutSheet cut_sheet() {
  film::CutSheet out;
  out.title = "Van, both sides";
  out.length_mm = 1200;
  out.width_mm = 900;
  out.paths.push_back(rectangle({0, 0}, {1200, 900}, film::CutKind::film_edge));
  film::CutPath pane = rounded({520, 30}, {1120, 430}, 14);
  pane.label = "rear left";
  out.paths.push_back(pane);
  film::CutPath hole = circle({820.5, 230.25}, 60);
  out.paths.push_back(hole);
  film::CutPath half;  // r = 150, down on the right and back around the left, clockwise
  half.vertices = {{{200, 400}}, {{200, 100}, -1}};
  half.label = "half";
  out.paths.push_back(half);
  film::CutPath over;  // 300 deg
  over.vertices = {{{250, 600}, std::tan(75 * std::numbers::pi / 180)}, {{350, 600}, 0}};
  over.label = "keyhole";
  out.paths.push_back(over);
  film::CutPath arched = rectangle({520, 500}, {1150, 800});
  const double sagitta = 4000 - std::sqrt(4000.0 * 4000 - 315.0 * 315);
  arched.vertices[2].bulge = sagitta / 315;
  arched.vertices[1].bulge = -0.1;
  arched.label = "windscreen strip";
  out.paths.push_back(arched);
  film::CutPath slit;
  slit.closed = false;
  slit.vertices = {{{30, 820}, 0.2}, {{130, 820}}, {{130, 870}}};
  out.paths.push_back(slit);
  film::CutPath mark;
  mark.kind = film::CutKind::mark;
  mark.closed = false;
  mark.vertices = {{{540, 600}}, {{600, 600}}};
  mark.label = "up";
  out.paths.push_back(mark);
  film::CutPath alone;
  alone.kind = film::CutKind::mark;
  alone.vertices = {{{300, 860}}};
  alone.label = "sheet 1 of 2";
  out.paths.push_back(alone);
  return out;
}

film::CutSheet random_cut_sheet(std::uint32_t seed) {
  std::mt19937 random(seed);
  const auto between = [&random](double low, double high) {
    return low + (high - low) * (static_cast<double>(random()) / 4294967296.0);
  };
  constexpr double kCell = 400;
  film::CutSheet out;
  out.title = "random <&> \xff \n\u202e" + std::to_string(seed);
  out.length_mm = 4 * kCell;
  out.width_mm = 3 * kCell;
  out.paths.push_back(rectangle({0, 0}, {out.length_mm, out.width_mm}, film::CutKind::film_edge));
  for (int cell = 0; cell < 12; ++cell) {
    const int row = cell / 4;
    const PointMm centre{(cell % 4 + 0.5) * kCell, (row + 0.5) * kCell};
    const int corners = 3 + static_cast<int>(random() % 6);
    const bool clockwise = random() % 2 == 0;
    film::CutPath path;
    for (int i = 0; i < corners; ++i) {
      const double turn =
          (clockwise ? -1 : 1) * 2 * std::numbers::pi * (i + between(0, 0.5)) / corners;
      const double reach = between(70, 120);
      path.vertices.push_back({centre + reach * PointMm{std::cos(turn), std::sin(turn)}});
      if (random() % 2 == 0) path.vertices.back().bulge = between(-0.2, 0.4) * (clockwise ? -1 : 1);
    }
    path.label = cell % 3 == 0 ? "\"P;U\x03<" + std::to_string(cell) : "";
    out.paths.push_back(path);
    // A star-shaped figure with these bounds keeps a circle of 10 mm about its centre free.
    if (corners > 4 && random() % 2 == 0) out.paths.push_back(circle(centre, between(2, 10)));
  }
  std::shuffle(out.paths.begin(), out.paths.end(), random);
  return out;
}

}  // namespace panecard::sample

namespace panecard::outside {
namespace {

PointMm circumcentre(PointMm a, PointMm b, PointMm c) {
  const PointMm u = b - a;
  const PointMm v = c - a;
  const double d = 2 * cross(u, v);
  return a +
         PointMm{(v.y * dot(u, u) - u.y * dot(v, v)) / d, (u.x * dot(v, v) - v.x * dot(u, u)) / d};
}

struct Matrix {
  double a = 1, b = 0, c = 0, d = 1, e = 0, f = 0;
  PointMm operator()(PointMm p) const { return {a * p.x + c * p.y + e, b * p.x + d * p.y + f}; }
};

std::string attribute(const std::string& tag, const std::string& name) {
  const std::size_t at = tag.find(" " + name + "=\"");
  if (at == std::string::npos) return {};
  const std::size_t begin = at + name.size() + 3;
  return tag.substr(begin, tag.find('"', begin) - begin);
}

Matrix matrix_of(const std::string& tag) {
  std::string text = attribute(tag, "transform");
  Matrix m;
  if (text.empty()) return m;
  if (text.rfind("matrix(", 0) != 0) throw std::runtime_error("unknown transform: " + text);
  std::replace(text.begin(), text.end(), ',', ' ');
  std::istringstream in(text.substr(7));
  in >> m.a >> m.b >> m.c >> m.d >> m.e >> m.f;
  return m;
}

std::vector<Line> parse_path(const std::string& data, const Matrix& matrix, double scale) {
  std::vector<Line> out;
  std::istringstream in(data);
  const auto read = [&] {
    PointMm p;
    in >> p.x >> p.y;
    return scale * matrix(p);
  };
  for (char op = 0; in >> op;) {
    if (op == 'M') out.push_back({read()});
    if (op == 'L') out.back().push_back(read());
    if (op == 'Z') out.back().push_back(out.back().front());
    if (op == 'C') {
      const PointMm p = out.back().back();
      const PointMm a = read();
      const PointMm b = read();
      const PointMm end = read();
      for (int k = 1; k <= 128; ++k) {
        const double t = k / 128.0;
        const double s = 1 - t;
        out.back().push_back(s * s * s * p + 3 * s * s * t * a + 3 * s * t * t * b +
                             t * t * t * end);
      }
    }
  }
  // Cairo starts a new line after each Z; one that goes nowhere draws nothing.
  out.erase(std::remove_if(out.begin(), out.end(), [](const Line& l) { return l.size() < 2; }),
            out.end());
  return out;
}

}  // namespace

Line exact(const film::CutPath& path, double step_mm) {
  Line out;
  const std::size_t n = path.vertices.size();
  for (std::size_t i = 0; i + (path.closed ? 0 : 1) < n; ++i) {
    const PointMm a = path.vertices[i].at;
    const PointMm b = path.vertices[(i + 1) % n].at;
    const double bulge = path.vertices[i].bulge;
    const PointMm way = b - a;
    if (bulge == 0) {
      const int steps = static_cast<int>(std::ceil(norm(way) / step_mm));
      for (int k = 0; k < steps; ++k) out.push_back(a + (k / static_cast<double>(steps)) * way);
      continue;
    }
    const PointMm top = 0.5 * (a + b) + (bulge / 2) * PointMm{way.y, -way.x};
    const PointMm centre = circumcentre(a, top, b);
    const double sweep = 4 * std::atan(bulge);
    const double radius = distance(a, centre);
    const double step = std::min(step_mm, std::sqrt(8 * radius * 0.001));  // chords within 1 um
    const int steps = static_cast<int>(std::ceil(std::abs(sweep) * radius / step));
    for (int k = 0; k < steps; ++k) {
      const double turn = sweep * k / steps;
      const PointMm r = a - centre;
      out.push_back(centre + PointMm{std::cos(turn) * r.x - std::sin(turn) * r.y,
                                     std::sin(turn) * r.x + std::cos(turn) * r.y});
    }
  }
  out.push_back(path.closed ? path.vertices.front().at : path.vertices.back().at);
  return out;
}

double off(PointMm p, const Line& line) {
  double best = std::numeric_limits<double>::infinity();
  for (std::size_t i = 1; i < line.size(); ++i) {
    const PointMm along = line[i] - line[i - 1];
    const double squared = std::max(dot(along, along), 1e-18);
    const double t = std::clamp(dot(p - line[i - 1], along) / squared, 0.0, 1.0);
    best = std::min(best, distance(p, line[i - 1] + t * along));
  }
  return best;
}

double apart(const Line& points, const std::vector<Line>& lines) {
  struct Bounds {
    PointMm low{1e300, 1e300}, high{-1e300, -1e300};
    double to(PointMm p) const {
      return std::max({low.x - p.x, p.x - high.x, low.y - p.y, p.y - high.y, 0.0});
    }
  };
  std::vector<Bounds> bounds(lines.size());
  for (std::size_t i = 0; i < lines.size(); ++i) {
    for (const PointMm p : lines[i]) {
      bounds[i].low = {std::min(bounds[i].low.x, p.x), std::min(bounds[i].low.y, p.y)};
      bounds[i].high = {std::max(bounds[i].high.x, p.x), std::max(bounds[i].high.y, p.y)};
    }
  }
  double worst = 0;
  for (const PointMm p : points) {
    double best = std::numeric_limits<double>::infinity();
    for (std::size_t i = 0; i < lines.size(); ++i) {
      if (bounds[i].to(p) < best) best = std::min(best, off(p, lines[i]));
    }
    worst = std::max(worst, best);
  }
  return worst;
}

double length_of(const Line& line) {
  double sum = 0;
  for (std::size_t i = 1; i < line.size(); ++i) sum += distance(line[i - 1], line[i]);
  return sum;
}

std::string cairo_colour(int r, int g, int b) {
  std::array<char, 64> text{};
  std::snprintf(text.data(), text.size(), "rgb(%.2f%%,%.2f%%,%.2f%%)", r / 2.55, g / 2.55,
                b / 2.55);
  return text.data();
}

std::vector<Line> lines_in_cairo_svg(const std::string& svg, const std::string& colour,
                                     double scale) {
  std::vector<Line> out;
  for (std::size_t at = 0; (at = svg.find("<path style=\"", at)) != std::string::npos;) {
    const std::size_t end = svg.find("/>", at);
    const std::string tag = svg.substr(at, end - at);
    at = end;
    const std::size_t stroke = tag.find("stroke:rgb(");
    if (stroke == std::string::npos) continue;
    double r = 0, g = 0, b = 0;
    if (std::sscanf(tag.c_str() + stroke, "stroke:rgb(%lf%%,%lf%%,%lf%%)", &r, &g, &b) != 3) {
      continue;
    }
    if (cairo_colour(static_cast<int>(std::lround(r * 2.55)),
                     static_cast<int>(std::lround(g * 2.55)),
                     static_cast<int>(std::lround(b * 2.55))) != colour) {
      continue;
    }
    for (Line& line : parse_path(attribute(tag, "d"), matrix_of(tag), scale)) {
      out.push_back(std::move(line));
    }
  }
  return out;
}

}  // namespace panecard::outside
