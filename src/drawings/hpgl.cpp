#include <algorithm>
#include <cmath>
#include <tuple>

#include "drawings/drawings.h"
#include "drawings/wording.h"
#include "film/film.h"

namespace panecard::drawings {
namespace {

// A point rounded to whole units lies within this much of where it should.
double rounding_mm(const HpglOptions& o) { return std::sqrt(0.5) / o.units_per_mm; }

std::optional<Error> wrong_with(const HpglOptions& o) {
  const auto within = [](double v, double least, double most) { return v >= least && v <= most; };
  const auto bad = [](const std::string& text) { return Error{Code::bad_usage, text}; };
  if (!within(o.units_per_mm, 1, 1000)) return bad("plotter units per mm must be 1 to 1000");
  if (!within(o.offset.x, -50000, 50000) || !within(o.offset.y, -50000, 50000)) {
    return bad("the offset must lie within 50 000 mm");
  }
  if (!within(o.max_length_mm, 1, 50000) || !within(o.max_width_mm, 1, 50000)) {
    return bad("the machine's length and width must be 1 to 50 000 mm");
  }
  if (!within(o.overcut_mm, 0, 20)) return bad("overcut must be 0 to 20 mm");
  if (!within(o.chord_mm, 0.001, 1)) return bad("chord deviation must be 0.001 to 1 mm");
  if (!within(o.cut_pen, 1, 99) || !within(o.mark_pen, 1, 99)) {
    return bad("pen numbers must be 1 to 99");
  }
  if (o.chord_mm <= 1.02 * rounding_mm(o)) {
    return bad("arcs within " + fixed(o.chord_mm, 4) + " mm cannot be had with " +
               to_text(o.units_per_mm, 3) + " units per mm: rounding alone moves a point by " +
               fixed(rounding_mm(o), 4) + " mm");
  }
  return std::nullopt;
}

std::optional<Error> beyond_machine(const film::CutSheet& sheet,
                                    const std::vector<std::size_t>& order, const HpglOptions& o) {
  // What still rounds to the last unit inside.
  const double nothing = std::min(0.01, 0.49 / o.units_per_mm);
  for (const std::size_t i : order) {
    const Extent e = extent_of(sheet.paths[i]);
    const PointMm low = e.low + o.offset;
    const PointMm high = e.high + o.offset;
    std::string what;
    if (std::min(low.x, low.y) < -nothing) {
      what = " starts " + fixed(-std::min(low.x, low.y), 2) +
             " mm below zero, where the plotter cannot go: move the sheet or its offset";
    } else if (high.x - o.max_length_mm > nothing) {
      what = " reaches " + fixed(high.x - o.max_length_mm, 2) +
             " mm beyond the machine's length of " + to_text(o.max_length_mm, 2) +
             " mm: shorten the sheet or cut it in parts";
    } else if (high.y - o.max_width_mm > nothing) {
      what = " reaches " + fixed(high.y - o.max_width_mm, 2) +
             " mm beyond the machine's width of " + to_text(o.max_width_mm, 2) +
             " mm: lay the sheet out narrower";
    }
    if (!what.empty()) return Error{Code::bad_usage, name_of(sheet, i) + what};
  }
  return std::nullopt;
}

// Marks while the film is still whole; then along the roll, and whatever lies inside a shape before
// the shape itself comes loose.
std::vector<std::size_t> plot_order(const film::CutSheet& sheet, bool draw_marks) {
  const std::vector<int> around = nesting(sheet);
  using Key = std::tuple<bool, double, std::size_t, int, double, std::size_t>;
  std::vector<Key> keys;
  for (std::size_t i = 0; i < sheet.paths.size(); ++i) {
    const film::CutPath& path = sheet.paths[i];
    const bool cut = path.kind == film::CutKind::cut;
    const bool drawn = draw_marks && path.kind == film::CutKind::mark && path.vertices.size() > 1;
    if (!cut && !drawn) continue;
    std::size_t outermost = i;
    int depth = 0;
    for (; cut && around[outermost] != -1; ++depth) {
      outermost = static_cast<std::size_t>(around[outermost]);
    }
    keys.emplace_back(cut, extent_of(sheet.paths[outermost]).low.x, outermost, -depth,
                      extent_of(path).low.x, i);
  }
  std::sort(keys.begin(), keys.end());
  std::vector<std::size_t> order;
  order.reserve(keys.size());
  for (const Key& key : keys) order.push_back(std::get<5>(key));
  return order;
}

// Once around, then the overcut along the same way, at most once around again.
PolygonMm tool_path(const film::CutPath& path, double chord_mm, double overcut_mm) {
  PolygonMm out = flatten(path, chord_mm);
  if (!path.closed) return out;
  const std::size_t n = out.size();
  out.push_back(out.front());
  double left = path.kind == film::CutKind::cut ? overcut_mm : 0;
  for (std::size_t i = 0; i < n && left > 0; ++i) {
    const PointMm way = out[i + 1] - out[i];
    const double step = norm(way);
    out.push_back(step <= left ? out[i + 1] : out[i] + (left / step) * way);
    left -= step;
  }
  return out;
}

class Plotter {
 public:
  explicit Plotter(const HpglOptions& options) : o_(options) {}

  void select(int pen) {
    if (pen == pen_) return;
    pen_ = pen;
    text_ += "SP" + std::to_string(pen) + ";\n";
  }

  void draw(const PolygonMm& points) {
    go("PU", points.front());
    for (std::size_t i = 1; i < points.size(); ++i) go("PD", points[i]);
    text_ += "PU;\n";
  }

  std::string finish() { return text_ + "SP0;\n"; }

 private:
  void go(const char* how, PointMm p) {
    const long long x = std::llround((p.x + o_.offset.x) * o_.units_per_mm);
    const long long y = std::llround((p.y + o_.offset.y) * o_.units_per_mm);
    const bool down = how[1] == 'D';
    if (down && x == x_ && y == y_) return;
    x_ = x;
    y_ = y;
    text_ += how + std::to_string(x) + "," + std::to_string(y) + ";\n";
  }

  HpglOptions o_;
  std::string text_ = "IN;\n";
  int pen_ = 0;
  long long x_ = 0, y_ = 0;
};

}  // namespace

Result<std::string> to_hpgl(const film::CutSheet& sheet, const HpglOptions& options) {
  constexpr std::size_t kMostChords = 2000000;
  if (const std::optional<Error> wrong = wrong_with(sheet)) return *wrong;
  if (const std::optional<Error> wrong = wrong_with(options)) return *wrong;
  const std::vector<std::size_t> order = plot_order(sheet, options.draw_marks);
  if (order.empty()) {
    return Error{Code::degenerate_shape, "the sheet has nothing to cut: add a path of kind cut"};
  }
  if (const std::optional<Error> beyond = beyond_machine(sheet, order, options)) return *beyond;
  const double chord_mm = options.chord_mm - rounding_mm(options);
  std::size_t chords = 0;
  for (const std::size_t i : order) chords += count_chords(sheet.paths[i], chord_mm);
  if (chords > kMostChords) {
    return Error{Code::too_large, std::to_string(chords) +
                                      " chords for the plotter, at most 2 000 000: allow a larger "
                                      "chord deviation"};
  }
  Plotter plotter(options);
  for (const std::size_t i : order) {
    const film::CutPath& path = sheet.paths[i];
    plotter.select(path.kind == film::CutKind::cut ? options.cut_pen : options.mark_pen);
    plotter.draw(tool_path(path, chord_mm, options.overcut_mm));
  }
  return plotter.finish();
}

}  // namespace panecard::drawings
