#include <cairo.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>

#include "formats/formats.h"
#include "formats/style.h"
#include "formats/text.h"

namespace panecard::formats {
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

using Stretch = std::vector<PointPx>;

struct Stretches {
  std::vector<Stretch> seen, bridged;
};

// Each stretch reaches to the next one's first point, so that the line has no gaps.
Stretches split(const outline::Outline& o) {
  Stretches out;
  const std::size_t n = o.points_px.size();
  const bool known = o.seen.size() == n;
  const auto seen = [&](std::size_t i) { return !known || o.seen[i % n]; };
  std::size_t start = 0;
  while (start < n && seen(start) == seen(start + n - 1)) ++start;
  if (start == n) start = 0;
  Stretch now;
  for (std::size_t k = 0; k < n; ++k) {
    const std::size_t i = start + k;
    now.push_back(o.points_px[i % n]);
    if (k + 1 == n || seen(i) != seen(i + 1)) {
      now.push_back(o.points_px[(i + 1) % n]);
      (seen(i) ? out.seen : out.bridged).push_back(std::move(now));
      now.clear();
    }
  }
  return out;
}

void add_path(const Pencil& p, const Stretch& stretch) {
  bool first = true;
  for (const PointPx q : stretch) {
    if (!std::isfinite(q.x) || !std::isfinite(q.y)) continue;
    // Far outside the picture Cairo's fixed-point coordinates would wrap around.
    const double x = std::clamp(q.x * p.scale, -1e5, 1e5);
    const double y = std::clamp(q.y * p.scale, -1e5, 1e5);
    first ? cairo_move_to(p.c, x, y) : cairo_line_to(p.c, x, y);
    first = false;
  }
}

// Dark casing for bright backgrounds, white for dark ones, the accent between: one of the three
// contrasts with whatever lies beneath, and with its neighbours.
void draw_outline(const Pencil& p, const outline::Outline& o) {
  const Stretches all = split(o);
  const double w = std::max(1.2, 0.13 * p.em);
  cairo_set_line_join(p.c, CAIRO_LINE_JOIN_ROUND);
  cairo_set_line_cap(p.c, CAIRO_LINE_CAP_BUTT);
  const auto both = [&] {
    for (const Stretch& s : all.seen) add_path(p, s);
    for (const Stretch& s : all.bridged) add_path(p, s);
  };
  both();
  p.colour(style::kInk, 0.55);
  cairo_set_line_width(p.c, 2.6 * w);
  cairo_stroke(p.c);
  both();
  p.colour(style::kPaper);
  cairo_set_line_width(p.c, 1.8 * w);
  cairo_stroke(p.c);
  p.colour(style::kAccent);
  cairo_set_line_width(p.c, w);
  for (const Stretch& s : all.seen) add_path(p, s);
  cairo_stroke(p.c);
  const std::array<double, 2> dash = {5 * w, 4 * w};
  cairo_set_line_width(p.c, 1.8 * w);
  cairo_set_dash(p.c, dash.data(), 2, 0);
  p.colour(style::kInk);
  for (const Stretch& s : all.bridged) add_path(p, s);
  cairo_stroke(p.c);
  cairo_set_dash(p.c, nullptr, 0, 0);
}

void tag(const Pencil& p, double x, double y, const std::string& words) {
  p.font(0.8 * p.em, false);
  const double width = p.text_width(words) + 0.8 * p.em;
  const double height = 1.25 * p.em;
  x = std::clamp(x - width / 2, 0.0, std::max(0.0, p.width - width));
  y = std::clamp(y - height / 2, 0.0, std::max(0.0, p.height - height));
  cairo_rectangle(p.c, x, y, width, height);
  p.colour(style::kInk, 0.8);
  cairo_fill(p.c);
  p.colour(style::kPaper);
  p.text(x + 0.4 * p.em, y + 0.92 * p.em, words);
}

void draw_bridged_tags(const Pencil& p, const outline::Outline& o) {
  constexpr std::size_t kMostTags = 40;
  const std::vector<Stretch> bridged = split(o).bridged;
  double cx = 0;
  double cy = 0;
  for (const PointPx q : o.points_px) {
    cx += q.x / static_cast<double>(o.points_px.size());
    cy += q.y / static_cast<double>(o.points_px.size());
  }
  for (std::size_t i = 0; i < std::min(bridged.size(), kMostTags); ++i) {
    const PointPx at = bridged[i][bridged[i].size() / 2];
    const double away = std::max(std::hypot(at.x - cx, at.y - cy), 1e-9);
    tag(p, at.x * p.scale - (at.x - cx) / away * 3.2 * p.em,
        at.y * p.scale - (at.y - cy) / away * 1.8 * p.em, "not seen");
  }
}

std::string card_words(const CardMark& mark) {
  if (mark.kind == "sheet") return "coded sheet";
  if (mark.kind == "card") return "card " + std::to_string(mark.id);
  if (mark.kind == "plain") return "plain card";
  return clean(mark.kind, 20);
}

void draw_cards(const Pencil& p, const std::vector<CardMark>& cards) {
  for (const CardMark& mark : cards) {
    if (mark.corners_px.empty()) continue;
    for (const auto& [colour, alpha, width] :
         {std::tuple{style::kInk, 0.6, 0.14}, std::tuple{style::kPaper, 0.95, 0.06}}) {
      add_path(p, mark.corners_px);
      cairo_close_path(p.c);
      p.colour(colour, alpha);
      cairo_set_line_width(p.c, std::max(0.8, width * p.em));
      cairo_stroke(p.c);
    }
    double x = 0;
    double low = -1e9;
    for (const PointPx q : mark.corners_px) {
      x += q.x * p.scale / static_cast<double>(mark.corners_px.size());
      low = std::max(low, q.y * p.scale);
    }
    tag(p, x, low + 1.0 * p.em, card_words(mark));
  }
}

// The corner of the picture that covers least of the outline.
PointPx quiet_corner(const Pencil& p, const outline::Outline& o, double width, double height) {
  const double gap = p.em;
  const std::array<PointPx, 4> corners = {{{gap, p.height - height - gap},
                                           {p.width - width - gap, p.height - height - gap},
                                           {gap, gap},
                                           {p.width - width - gap, gap}}};
  PointPx best = corners[0];
  std::size_t least = o.points_px.size() + 1;
  for (const PointPx corner : corners) {
    const auto covered = static_cast<std::size_t>(
        std::count_if(o.points_px.begin(), o.points_px.end(), [&](PointPx q) {
          const double x = q.x * p.scale - corner.x;
          const double y = q.y * p.scale - corner.y;
          return x > -gap && x < width + gap && y > -gap && y < height + gap;
        }));
    if (covered < least) {
      least = covered;
      best = corner;
    }
  }
  return best;
}

void draw_caption(const Pencil& p, const Measurement& m, Units u) {
  const outline::Outline& o = m.outline;
  const std::string size = say_length(o.long_mm, u).both() + "  \u00d7  " +
                           say_length(o.short_mm, u).both() + " " + length_unit(u);
  const std::string what = boundary_words(m.boundary) + ", smallest box, 95 %";
  const std::string seen = o.seen_fraction < 0.9995
                               ? fixed(100 * o.seen_fraction, 0) + " % seen; dashes were not"
                               : std::string();
  p.font(1.35 * p.em, true);
  double width = p.text_width(size);
  p.font(0.85 * p.em, false);
  width = std::max({width, p.text_width(what), p.text_width(seen)}) + 1.9 * p.em;
  const double height = (seen.empty() ? 4.0 : 5.2) * p.em;
  const PointPx at = quiet_corner(p, o, width, height);
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

void draw_overlay(const Canvas& canvas, const Measurement& m, Units u) {
  const std::unique_ptr<cairo_surface_t, FreeSurface> surface(cairo_image_surface_create_for_data(
      canvas.data, CAIRO_FORMAT_ARGB32, canvas.width, canvas.height, canvas.stride));
  const std::unique_ptr<cairo_t, FreeContext> context(cairo_create(surface.get()));
  const double em = std::max(9.0, 0.014 * std::max(canvas.width, canvas.height));
  const Pencil p{context.get(), em, canvas.scale, static_cast<double>(canvas.width),
                 static_cast<double>(canvas.height)};
  draw_cards(p, m.cards);
  draw_outline(p, m.outline);
  draw_bridged_tags(p, m.outline);
  draw_caption(p, m, u);
  cairo_surface_flush(surface.get());
}

}  // namespace panecard::formats
