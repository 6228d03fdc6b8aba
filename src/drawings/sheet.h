// A page of vector drawing, written as SVG text or, through Cairo, as PDF.
//
// Frame    page: mm, x right, y down, origin at the page's top-left corner.
#pragma once

#include <memory>
#include <optional>
#include <span>
#include <string>
#include <variant>
#include <vector>

#include "drawings/drawings.h"

namespace panecard::drawings {

struct PagePoint {
  double x = 0, y = 0;
  friend PagePoint operator+(PagePoint a, PagePoint b) { return {a.x + b.x, a.y + b.y}; }
  friend PagePoint operator-(PagePoint a, PagePoint b) { return {a.x - b.x, a.y - b.y}; }
  friend PagePoint operator*(double s, PagePoint a) { return {s * a.x, s * a.y}; }
};

/// A point on a line on the page and the line's direction there.
struct LinePoint {
  PagePoint at;
  PagePoint along;                                          ///< unit
  PagePoint inward() const { return {along.y, -along.x}; }  ///< of a counter-clockwise outline
};

struct Colour {
  unsigned char r = 0, g = 0, b = 0;
};

struct Pen {
  Colour colour;
  double width_mm = 0.25;
  std::vector<double> dash_mm = {};
  bool round = false;  ///< round caps; joins are always round
};

class Path {
 public:
  enum class Op { move, line, cubic, arc, close };
  struct Step {
    Op op;
    PagePoint end;
    PagePoint a, b;  ///< cubic: control points; arc: a is the centre
    bool clockwise = true;
  };
  Path& move(PagePoint p);
  Path& line(PagePoint p);
  Path& cubic(PagePoint a, PagePoint b, PagePoint end);
  Path& arc(PagePoint centre, PagePoint end, bool clockwise);  ///< under 180 deg
  Path& close();
  Path& rectangle(PagePoint top_left, double width, double height);
  Path& rounded_rectangle(PagePoint top_left, double width, double height, double radius);
  const std::vector<Step>& steps() const { return steps_; }

 private:
  std::vector<Step> steps_;
};

enum class Anchor { start, middle, end };

struct TextStyle {
  double size_mm = 2.8;
  Colour colour;
  Anchor anchor = Anchor::start;
  bool bold = false;
  double turn_deg = 0;  ///< clockwise about the anchor
};

class Sheet {
 public:
  Sheet(double width_mm, double height_mm, std::string title);

  void begin_group(const std::string& id, bool hidden = false);
  void begin_clip(PagePoint top_left, double width_mm, double height_mm);  ///< a group too
  void end_group();
  void stroke(Path path, Pen pen);
  void fill(Path path, Colour colour);
  void text(PagePoint baseline, const std::string& utf8, const TextStyle& style);
  /// Into PDF as it is, without decoding. The picture must outlive the sheet.
  void picture(PagePoint top_left, double width_mm, double height_mm, const JobPhoto& picture);

  std::string svg() const;
  /// Only the svg element, for a page that holds several: every id begins with `id_prefix`.
  std::string inline_svg(const std::string& id_prefix) const;
  std::string pdf() const;  ///< same sheet, same bytes: the creation date is a constant
  /// One PDF with a page for each sheet, at least one, titled as the first.
  static std::string pdf(std::span<const Sheet> pages);

 private:
  struct Stroke {
    Path path;
    Pen pen;
  };
  struct Fill {
    Path path;
    Colour colour;
  };
  struct Text {
    PagePoint at;
    std::string utf8;
    TextStyle style;
  };
  struct Image {
    PagePoint top_left;
    double width, height;
    const JobPhoto* picture;
  };
  struct Clip {
    PagePoint top_left;
    double width, height;
  };
  struct Begin {
    std::string id;
    bool hidden;
    std::optional<Clip> clip = std::nullopt;
  };
  struct End {};
  struct Canvas;
  using Item = std::variant<Stroke, Fill, Text, Image, Begin, End>;

  double width_mm_, height_mm_;
  std::string title_;
  std::vector<Item> items_;
};

/// Width of text as Cairo sets it, for laying out labels.
class Ruler {
 public:
  Ruler();
  ~Ruler();
  Ruler(const Ruler&) = delete;
  Ruler& operator=(const Ruler&) = delete;
  double width_mm(const std::string& utf8, double size_mm, bool bold = false) const;

 private:
  struct Hidden;
  std::unique_ptr<Hidden> hidden_;
};

}  // namespace panecard::drawings
