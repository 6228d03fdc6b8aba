#include "drawings/sheet.h"

#include <cairo-pdf.h>
#include <cairo.h>

#include <cmath>
#include <numbers>

#include "drawings/base64.h"
#include "drawings/style.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

constexpr double kPointsPerMm = 72 / 25.4;
constexpr const char* kFixedDate = "2000-01-01T00:00:00Z";

struct FreeSurface {
  void operator()(cairo_surface_t* s) const { cairo_surface_destroy(s); }
};
struct FreeContext {
  void operator()(cairo_t* c) const { cairo_destroy(c); }
};
using Surface = std::unique_ptr<cairo_surface_t, FreeSurface>;
using Context = std::unique_ptr<cairo_t, FreeContext>;

std::string number(double v) { return to_text(v, 4); }
std::string point(PagePoint p) { return number(p.x) + " " + number(p.y); }

std::string hex(Colour c) {
  constexpr const char* kDigits = "0123456789abcdef";
  std::string out = "#";
  for (const unsigned v : {c.r, c.g, c.b}) {
    out += kDigits[v >> 4U];
    out += kDigits[v & 15U];
  }
  return out;
}

std::string path_data(const Path& path) {
  std::string d;
  for (const Path::Step& s : path.steps()) {
    switch (s.op) {
      case Path::Op::move:
        d += "M" + point(s.end);
        break;
      case Path::Op::line:
        d += "L" + point(s.end);
        break;
      case Path::Op::cubic:
        d += "C" + point(s.a) + " " + point(s.b) + " " + point(s.end);
        break;
      case Path::Op::arc: {
        const std::string r = number(std::hypot(s.end.x - s.a.x, s.end.y - s.a.y));
        d.append("A").append(r).append(" ").append(r);
        d.append(s.clockwise ? " 0 0 1 " : " 0 0 0 ").append(point(s.end));
        break;
      }
      case Path::Op::close:
        d += "Z";
        break;
    }
  }
  return d;
}

void set_font(cairo_t* c, double size, bool bold) {
  cairo_select_font_face(c, style::kFont, CAIRO_FONT_SLANT_NORMAL,
                         bold ? CAIRO_FONT_WEIGHT_BOLD : CAIRO_FONT_WEIGHT_NORMAL);
  cairo_set_font_size(c, size);
}

void set_colour(cairo_t* c, Colour colour) {
  cairo_set_source_rgb(c, colour.r / 255.0, colour.g / 255.0, colour.b / 255.0);
}

void trace_path(cairo_t* c, const Path& path) {
  cairo_new_path(c);
  PagePoint from;
  for (const Path::Step& s : path.steps()) {
    switch (s.op) {
      case Path::Op::move:
        cairo_move_to(c, s.end.x, s.end.y);
        break;
      case Path::Op::line:
        cairo_line_to(c, s.end.x, s.end.y);
        break;
      case Path::Op::cubic:
        cairo_curve_to(c, s.a.x, s.a.y, s.b.x, s.b.y, s.end.x, s.end.y);
        break;
      case Path::Op::arc: {
        const double radius = std::hypot(s.end.x - s.a.x, s.end.y - s.a.y);
        const double begin = std::atan2(from.y - s.a.y, from.x - s.a.x);
        const double end = std::atan2(s.end.y - s.a.y, s.end.x - s.a.x);
        (s.clockwise ? cairo_arc : cairo_arc_negative)(c, s.a.x, s.a.y, radius, begin, end);
        break;
      }
      case Path::Op::close:
        cairo_close_path(c);
        break;
    }
    if (s.op != Path::Op::close) from = s.end;
  }
}

void show_text(cairo_t* c, PagePoint at, const std::string& utf8, const TextStyle& style) {
  cairo_save(c);
  set_font(c, style.size_mm, style.bold);
  set_colour(c, style.colour);
  cairo_translate(c, at.x, at.y);
  cairo_rotate(c, style.turn_deg * std::numbers::pi / 180);
  cairo_text_extents_t extents;
  cairo_text_extents(c, utf8.c_str(), &extents);
  const double back = style.anchor == Anchor::start    ? 0
                      : style.anchor == Anchor::middle ? extents.x_advance / 2
                                                       : extents.x_advance;
  cairo_move_to(c, -back, 0);
  cairo_show_text(c, utf8.c_str());
  cairo_restore(c);
}

void show_stroke(cairo_t* c, const Path& path, const Pen& pen) {
  set_colour(c, pen.colour);
  cairo_set_line_width(c, pen.width_mm);
  cairo_set_line_join(c, CAIRO_LINE_JOIN_ROUND);
  cairo_set_line_cap(c, pen.round ? CAIRO_LINE_CAP_ROUND : CAIRO_LINE_CAP_BUTT);
  cairo_set_dash(c, pen.dash_mm.data(), static_cast<int>(pen.dash_mm.size()), 0);
  trace_path(c, path);
  cairo_stroke(c);
}

// Cairo puts the JPEG's own bytes into the PDF; the surface only states its size.
void show_picture(cairo_t* c, PagePoint at, double width, double height, const JobPhoto& picture) {
  const Surface image(
      cairo_image_surface_create(CAIRO_FORMAT_RGB24, picture.width_px, picture.height_px));
  cairo_surface_set_mime_data(image.get(), CAIRO_MIME_TYPE_JPEG,
                              reinterpret_cast<const unsigned char*>(picture.jpeg.data()),
                              picture.jpeg.size(), nullptr, nullptr);
  cairo_save(c);
  cairo_translate(c, at.x, at.y);
  cairo_scale(c, width / picture.width_px, height / picture.height_px);
  cairo_set_source_surface(c, image.get(), 0, 0);
  cairo_paint(c);
  cairo_restore(c);
}

cairo_status_t append(void* out, const unsigned char* data, unsigned length) {
  static_cast<std::string*>(out)->append(reinterpret_cast<const char*>(data), length);
  return CAIRO_STATUS_SUCCESS;
}

template <class... Ts>
struct Each : Ts... {
  using Ts::operator()...;
};
template <class... Ts>
Each(Ts...) -> Each<Ts...>;

}  // namespace

Path& Path::move(PagePoint p) {
  steps_.push_back({Op::move, p, {}, {}});
  return *this;
}

Path& Path::line(PagePoint p) {
  steps_.push_back({Op::line, p, {}, {}});
  return *this;
}

Path& Path::cubic(PagePoint a, PagePoint b, PagePoint end) {
  steps_.push_back({Op::cubic, end, a, b});
  return *this;
}

Path& Path::arc(PagePoint centre, PagePoint end, bool clockwise) {
  steps_.push_back({Op::arc, end, centre, {}, clockwise});
  return *this;
}

Path& Path::close() {
  steps_.push_back({Op::close, {}, {}, {}});
  return *this;
}

Path& Path::rectangle(PagePoint p, double w, double h) {
  return move(p).line({p.x + w, p.y}).line({p.x + w, p.y + h}).line({p.x, p.y + h}).close();
}

Path& Path::rounded_rectangle(PagePoint p, double w, double h, double r) {
  const double x = p.x + w;
  const double y = p.y + h;
  move({p.x + r, p.y}).line({x - r, p.y}).arc({x - r, p.y + r}, {x, p.y + r}, true);
  line({x, y - r}).arc({x - r, y - r}, {x - r, y}, true);
  line({p.x + r, y}).arc({p.x + r, y - r}, {p.x, y - r}, true);
  return line({p.x, p.y + r}).arc({p.x + r, p.y + r}, {p.x + r, p.y}, true).close();
}

Sheet::Sheet(double width_mm, double height_mm, std::string title)
    : width_mm_(width_mm), height_mm_(height_mm), title_(std::move(title)) {}

void Sheet::begin_group(const std::string& id, bool hidden) {
  items_.emplace_back(Begin{id, hidden});
}
void Sheet::end_group() { items_.emplace_back(End{}); }
void Sheet::begin_clip(PagePoint top_left, double width_mm, double height_mm) {
  items_.emplace_back(Begin{"", false, Clip{top_left, width_mm, height_mm}});
}

void Sheet::stroke(Path path, Pen pen) {
  items_.emplace_back(Stroke{std::move(path), std::move(pen)});
}
void Sheet::fill(Path path, Colour colour) { items_.emplace_back(Fill{std::move(path), colour}); }
void Sheet::text(PagePoint baseline, const std::string& utf8, const TextStyle& style) {
  items_.emplace_back(Text{baseline, utf8, style});
}

void Sheet::picture(PagePoint top_left, double width_mm, double height_mm,
                    const JobPhoto& picture) {
  items_.emplace_back(Image{top_left, width_mm, height_mm, &picture});
}

std::string Sheet::svg() const {
  return "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n" + inline_svg("");
}

std::string Sheet::inline_svg(const std::string& id_prefix) const {
  const std::string w = number(width_mm_);
  const std::string h = number(height_mm_);
  std::string out = "<svg xmlns=\"http://www.w3.org/2000/svg\" version=\"1.1\" width=\"" + w +
                    "mm\" height=\"" + h + "mm\" viewBox=\"0 0 " + w + " " + h +
                    "\" font-family=\"'" + style::kFont +
                    "', Verdana, sans-serif\" stroke-linejoin=\"round\">\n";
  out += "<title>" + xml(title_) + "</title>\n";
  int clips = 0;
  const Each write{
      [&](const Stroke& s) {
        out += "<path fill=\"none\" stroke=\"" + hex(s.pen.colour) + "\" stroke-width=\"" +
               number(s.pen.width_mm) + "\"";
        if (s.pen.round) out += " stroke-linecap=\"round\"";
        if (!s.pen.dash_mm.empty()) {
          out += " stroke-dasharray=\"";
          for (const double d : s.pen.dash_mm) out += number(d) + " ";
          out.back() = '"';
        }
        out += " d=\"" + path_data(s.path) + "\"/>\n";
      },
      [&](const Fill& f) {
        out += "<path fill=\"" + hex(f.colour) + "\" d=\"" + path_data(f.path) + "\"/>\n";
      },
      [&](const Text& t) {
        out += "<text x=\"" + number(t.at.x) + "\" y=\"" + number(t.at.y) + "\" font-size=\"" +
               number(t.style.size_mm) + "\" fill=\"" + hex(t.style.colour) + "\"";
        if (t.style.anchor == Anchor::middle) out += " text-anchor=\"middle\"";
        if (t.style.anchor == Anchor::end) out += " text-anchor=\"end\"";
        if (t.style.bold) out += " font-weight=\"bold\"";
        if (t.style.turn_deg != 0) {
          out += " transform=\"rotate(" + number(t.style.turn_deg) + " " + point(t.at) + ")\"";
        }
        out += ">" + xml(t.utf8) + "</text>\n";
      },
      [&](const Image& i) {
        out += "<image x=\"" + number(i.top_left.x) + "\" y=\"" + number(i.top_left.y) +
               "\" width=\"" + number(i.width) + "\" height=\"" + number(i.height) +
               "\" preserveAspectRatio=\"none\" href=\"data:image/jpeg;base64," +
               base64(i.picture->jpeg) + "\"/>\n";
      },
      [&](const Begin& b) {
        if (b.clip) {
          const std::string id = xml(id_prefix) + "clip-" + std::to_string(++clips);
          out += "<clipPath id=\"" + id + "\"><rect x=\"" + number(b.clip->top_left.x) + "\" y=\"" +
                 number(b.clip->top_left.y) + "\" width=\"" + number(b.clip->width) +
                 "\" height=\"" + number(b.clip->height) + "\"/></clipPath>\n<g clip-path=\"url(#" +
                 id + ")\">\n";
          return;
        }
        out += "<g id=\"" + xml(id_prefix + b.id) + "\"" + (b.hidden ? " display=\"none\"" : "") +
               ">\n";
      },
      [&](const End&) { out += "</g>\n"; }};
  for (const Item& item : items_) std::visit(write, item);
  return out + "</svg>\n";
}

// Draws items on the current page of a PDF.
struct Sheet::Canvas {
  cairo_t* c;
  struct Group {
    bool hides, clips;
  };
  std::vector<Group> groups = {};
  int hidden_depth = 0;

  void operator()(const Stroke& s) const {
    if (hidden_depth == 0) show_stroke(c, s.path, s.pen);
  }
  void operator()(const Fill& f) const {
    if (hidden_depth > 0) return;
    set_colour(c, f.colour);
    trace_path(c, f.path);
    cairo_fill(c);
  }
  void operator()(const Text& t) const {
    if (hidden_depth == 0) show_text(c, t.at, t.utf8, t.style);
  }
  void operator()(const Image& i) const {
    if (hidden_depth == 0) show_picture(c, i.top_left, i.width, i.height, *i.picture);
  }
  void operator()(const Begin& begin) {
    groups.push_back({begin.hidden, begin.clip.has_value()});
    hidden_depth += begin.hidden ? 1 : 0;
    if (!begin.clip) return;
    cairo_save(c);
    cairo_rectangle(c, begin.clip->top_left.x, begin.clip->top_left.y, begin.clip->width,
                    begin.clip->height);
    cairo_clip(c);
  }
  void operator()(const End& /*end*/) {
    hidden_depth -= groups.back().hides ? 1 : 0;
    if (groups.back().clips) cairo_restore(c);
    groups.pop_back();
  }
};

std::string Sheet::pdf() const { return pdf({this, 1}); }

std::string Sheet::pdf(std::span<const Sheet> pages) {
  std::string out;
  const Sheet& first = pages.front();
  const Surface surface(cairo_pdf_surface_create_for_stream(
      append, &out, first.width_mm_ * kPointsPerMm, first.height_mm_ * kPointsPerMm));
  cairo_pdf_surface_set_metadata(surface.get(), CAIRO_PDF_METADATA_TITLE, first.title_.c_str());
  cairo_pdf_surface_set_metadata(surface.get(), CAIRO_PDF_METADATA_CREATOR, "panecard");
  cairo_pdf_surface_set_metadata(surface.get(), CAIRO_PDF_METADATA_CREATE_DATE, kFixedDate);
  const Context context(cairo_create(surface.get()));
  cairo_t* c = context.get();
  cairo_scale(c, kPointsPerMm, kPointsPerMm);
  for (const Sheet& page : pages) {
    cairo_pdf_surface_set_size(surface.get(), page.width_mm_ * kPointsPerMm,
                               page.height_mm_ * kPointsPerMm);
    Canvas canvas{c};
    for (const Item& item : page.items_) std::visit(canvas, item);
    cairo_show_page(c);
  }
  cairo_surface_finish(surface.get());
  return out;
}

struct Ruler::Hidden {
  Surface surface{cairo_image_surface_create(CAIRO_FORMAT_A8, 1, 1)};
  Context context{cairo_create(surface.get())};
};

Ruler::Ruler() : hidden_(std::make_unique<Hidden>()) {}
Ruler::~Ruler() = default;

double Ruler::width_mm(const std::string& utf8, double size_mm, bool bold) const {
  // Measured large: at a few units the toy font rounds its advances to whole units.
  constexpr double kLarge = 256;
  set_font(hidden_->context.get(), kLarge, bold);
  cairo_text_extents_t extents;
  cairo_text_extents(hidden_->context.get(), utf8.c_str(), &extents);
  return extents.x_advance * size_mm / kLarge;
}

}  // namespace panecard::drawings
