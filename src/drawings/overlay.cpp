#include <cairo.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <memory>

#include "drawings/drawings.h"
#include "drawings/style.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

struct FreeSurface {
  void operator()(cairo_surface_t* s) const { cairo_surface_destroy(s); }
};
struct FreeContext {
  void operator()(cairo_t* c) const { cairo_destroy(c); }
};

// Sizes follow the picture: `em` is the height of its text in canvas pixels.
struct Pencil {
  cairo_t* c;
  double em;
  double scale;
  double width, height;

  void colour(Colour k, double alpha = 1) const {
    cairo_set_source_rgba(c, k.r / 255.0, k.g / 255.0, k.b / 255.0, alpha);
  }
  void font(double size, bool bold) const {
    cairo_select_font_face(c, style::kFont, CAIRO_FONT_SLANT_NORMAL,
                           bold ? CAIRO_FONT_WEIGHT_BOLD : CAIRO_FONT_WEIGHT_NORMAL);
    cairo_set_font_size(c, size);
  }
  double text_width(const std::string& s) const {
    cairo_text_extents_t e;
    cairo_text_extents(c, s.c_str(), &e);
    return e.x_advance;
  }
  void text(double x, double y, const std::string& s) const {
    cairo_move_to(c, x, y);
    cairo_show_text(c, s.c_str());
  }
};

using PixelPath = std::vector<PointPx>;

struct PixelPaths {
  std::vector<PixelPath> seen, bridged;
};

// Each path reaches to the next one's first point, so that the line has no gaps.
PixelPaths split(const outline::Outline& o) {
  PixelPaths out;
  const std::size_t n = o.points_px.size();
  const bool known = o.seen.size() == n;
  const auto seen = [&](int i) { return !known || o.seen[static_cast<std::size_t>(i)]; };
  for (const Run& run : circular_runs(
           static_cast<int>(n), [](int) { return true; },
           [&](int before, int i) { return seen(before) == seen(i); })) {
    PixelPath path;
    for (int k = 0; k <= run.count; ++k) {
      path.push_back(o.points_px[static_cast<std::size_t>(run.first + k) % n]);
    }
    (seen(run.first) ? out.seen : out.bridged).push_back(std::move(path));
  }
  return out;
}

void add_path(const Pencil& p, const PixelPath& path) {
  bool first = true;
  for (const PointPx q : path) {
    if (!std::isfinite(q.x) || !std::isfinite(q.y)) continue;
    // Far outside the picture Cairo's fixed-point coordinates would wrap around.
    const double x = std::clamp(q.x * p.scale, -1e5, 1e5);
    const double y = std::clamp(q.y * p.scale, -1e5, 1e5);
    first ? cairo_move_to(p.c, x, y) : cairo_line_to(p.c, x, y);
    first = false;
  }
}

// Dark casing for bright backgrounds, white for dark ones, the accent between: one of the three
// contrasts with whatever lies beneath, and with its neighbours. Where the edge was not seen the
// white goes and the accent breaks into dashes.
void draw_outline(const Pencil& p, const PixelPaths& all) {
  const double w = std::max(1.2, 0.13 * p.em);
  const std::array<double, 2> dash = {5 * w, 4 * w};
  cairo_set_line_join(p.c, CAIRO_LINE_JOIN_ROUND);
  cairo_set_line_cap(p.c, CAIRO_LINE_CAP_BUTT);
  const auto stroke = [&](const std::vector<PixelPath>& paths, Colour colour, double alpha,
                          double width) {
    for (const PixelPath& path : paths) add_path(p, path);
    p.colour(colour, alpha);
    cairo_set_line_width(p.c, width);
    cairo_stroke(p.c);
  };
  stroke(all.seen, style::kInk, 0.55, 2.6 * w);
  stroke(all.seen, style::kPaper, 1, 1.8 * w);
  stroke(all.seen, style::kAccent, 1, w);
  stroke(all.bridged, style::kPaper, 1, 3.4 * w);
  stroke(all.bridged, style::kInk, 1, 2.6 * w);
  cairo_set_dash(p.c, dash.data(), 2, 0);
  stroke(all.bridged, style::kAccent, 1, 1.8 * w);
  cairo_set_dash(p.c, nullptr, 0, 0);
}

struct Rectangle {
  double x, y, width, height;
};

// What a label should not cover.
class PlacesTaken {
 public:
  PlacesTaken(const Pencil& p, const outline::Outline& o) {
    for (const PointPx q : o.points_px) points_.push_back({q.x * p.scale, q.y * p.scale});
  }
  void add(const Rectangle& r) { labels_.push_back(r); }
  std::size_t covered_by(const Rectangle& r, double gap) const {
    const auto hit =
        static_cast<std::size_t>(std::count_if(points_.begin(), points_.end(), [&](PointPx q) {
          return q.x > r.x - gap && q.x < r.x + r.width + gap && q.y > r.y - gap &&
                 q.y < r.y + r.height + gap;
        }));
    const auto overlapped = std::any_of(labels_.begin(), labels_.end(), [&](const Rectangle& o) {
      return r.x < o.x + o.width && o.x < r.x + r.width && r.y < o.y + o.height &&
             o.y < r.y + r.height;
    });
    return hit + (overlapped ? points_.size() : 0);
  }
  // The first of the places that covers least; places are centres.
  Rectangle best(const Pencil& p, const std::vector<PointPx>& places, double width,
                 double height) const {
    Rectangle best{};
    std::size_t least = std::numeric_limits<std::size_t>::max();
    for (const PointPx c : places) {
      const Rectangle r{std::clamp(c.x - width / 2, 0.0, std::max(0.0, p.width - width)),
                        std::clamp(c.y - height / 2, 0.0, std::max(0.0, p.height - height)), width,
                        height};
      const std::size_t covered = covered_by(r, 0.4 * p.em);
      if (covered < least) {
        least = covered;
        best = r;
      }
    }
    return best;
  }

 private:
  std::vector<PointPx> points_;
  std::vector<Rectangle> labels_;
};

void tag(const Pencil& p, PlacesTaken& taken, PointPx middle, PointPx reach,
         const std::string& words) {
  p.font(0.8 * p.em, false);
  const double width = p.text_width(words) + 0.8 * p.em;
  const double height = 1.25 * p.em;
  const double right = reach.x + 0.5 * width + 0.5 * p.em;
  const double down = reach.y + 0.5 * height + 0.5 * p.em;
  std::vector<PointPx> places;
  for (const double further : {0.0, 1.0, 2.0}) {
    const double dx = right + further * p.em;
    const double dy = down + further * p.em;
    for (const auto& [sx, sy] : {std::pair{0, 1}, {0, -1}, {1, 0}, {-1, 0}, {1, 1}, {-1, -1}}) {
      places.push_back({middle.x + sx * dx, middle.y + sy * dy});
    }
  }
  const Rectangle r = taken.best(p, places, width, height);
  taken.add(r);
  cairo_rectangle(p.c, r.x, r.y, r.width, r.height);
  p.colour(style::kInk, 0.8);
  cairo_fill(p.c);
  p.colour(style::kPaper);
  p.text(r.x + 0.4 * p.em, r.y + 0.92 * p.em, words);
}

void tag_bridged(const Pencil& p, PlacesTaken& taken, const std::vector<PixelPath>& bridged) {
  constexpr std::size_t kMostTags = 40;
  for (std::size_t i = 0; i < std::min(bridged.size(), kMostTags); ++i) {
    const PointPx at = bridged[i][bridged[i].size() / 2];
    tag(p, taken, {at.x * p.scale, at.y * p.scale}, {0.3 * p.em, 0.3 * p.em}, "not seen");
  }
}

std::string card_words(const model::CardMark& mark) {
  if (mark.kind == "sheet") return "coded sheet";
  if (mark.kind == "card") return "card " + std::to_string(mark.id);
  if (mark.kind == "plain") return "plain card";
  return clean(mark.kind, 20);
}

void draw_cards(const Pencil& p, const std::vector<model::CardMark>& cards) {
  for (const model::CardMark& mark : cards) {
    for (const auto& [colour, alpha, width] :
         {std::tuple{style::kInk, 0.6, 0.14}, std::tuple{style::kPaper, 0.95, 0.06}}) {
      add_path(p, mark.corners_px);
      cairo_close_path(p.c);
      p.colour(colour, alpha);
      cairo_set_line_width(p.c, std::max(0.8, width * p.em));
      cairo_stroke(p.c);
    }
  }
}

void tag_cards(const Pencil& p, PlacesTaken& taken, const std::vector<model::CardMark>& cards) {
  for (const model::CardMark& mark : cards) {
    if (mark.corners_px.empty()) continue;
    PointPx low{1e9, 1e9};
    PointPx high{-1e9, -1e9};
    for (const PointPx q : mark.corners_px) {
      low = {std::min(low.x, q.x * p.scale), std::min(low.y, q.y * p.scale)};
      high = {std::max(high.x, q.x * p.scale), std::max(high.y, q.y * p.scale)};
    }
    tag(p, taken, {(low.x + high.x) / 2, (low.y + high.y) / 2},
        {(high.x - low.x) / 2, (high.y - low.y) / 2}, card_words(mark));
  }
}

void draw_caption(const Pencil& p, PlacesTaken& taken, const model::Measurement& m, Units u) {
  const outline::Outline& o = m.outline;
  const std::string size = say_length(o.long_mm, u).both() + "  \u00d7  " +
                           say_length(o.short_mm, u).both() + " " + length_unit(u);
  const std::string what = boundary_words(m.boundary) + ", smallest box, 95 %";
  const std::string seen = o.seen_fraction < 1
                               ? fixed(100 * o.seen_fraction, 1) + " % seen; dashes were not"
                               : std::string();
  p.font(1.35 * p.em, true);
  double width = p.text_width(size);
  p.font(0.85 * p.em, false);
  width = std::max({width, p.text_width(what), p.text_width(seen)}) + 1.9 * p.em;
  const double height = (seen.empty() ? 4.0 : 5.2) * p.em;
  const double left = p.em + width / 2;
  const double top = p.em + height / 2;
  const Rectangle at = taken.best(p,
                                  {{left, p.height - top},
                                   {p.width - left, p.height - top},
                                   {left, top},
                                   {p.width - left, top}},
                                  width, height);
  taken.add(at);
  cairo_rectangle(p.c, at.x, at.y, width, height);
  p.colour(style::kPaper, 0.94);
  cairo_fill(p.c);
  cairo_rectangle(p.c, at.x, at.y, 0.3 * p.em, height);
  p.colour(style::kAccent);
  cairo_fill(p.c);
  const double x = at.x + 1.1 * p.em;
  p.colour(style::kInk);
  p.font(1.35 * p.em, true);
  p.text(x, at.y + 1.85 * p.em, size);
  p.colour(style::kQuiet);
  p.font(0.85 * p.em, false);
  p.text(x, at.y + 3.2 * p.em, what);
  p.text(x, at.y + 4.4 * p.em, seen);
}

}  // namespace

void draw_overlay(const Canvas& canvas, const model::Measurement& m, Units u) {
  const std::unique_ptr<cairo_surface_t, FreeSurface> surface(cairo_image_surface_create_for_data(
      canvas.data, CAIRO_FORMAT_ARGB32, canvas.width, canvas.height, canvas.stride));
  const std::unique_ptr<cairo_t, FreeContext> context(cairo_create(surface.get()));
  const double em = std::max(9.0, 0.014 * std::max(canvas.width, canvas.height));
  const Pencil p{context.get(), em, canvas.scale, static_cast<double>(canvas.width),
                 static_cast<double>(canvas.height)};
  const PixelPaths stretches = split(m.outline);
  PlacesTaken taken(p, m.outline);
  draw_cards(p, m.cards);
  draw_outline(p, stretches);
  draw_caption(p, taken, m, u);
  tag_cards(p, taken, m.cards);
  tag_bridged(p, taken, stretches.bridged);
  cairo_surface_flush(surface.get());
}

}  // namespace panecard::drawings
