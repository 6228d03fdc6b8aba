// What every DXF of ours is made of: AutoCAD R12, ASCII, millimetres.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "drawings/drawings.h"

namespace panecard::drawings {

struct DxfLayer {
  const char* name;
  int colour;             ///< AutoCAD colour index
  const char* line_type;  ///< "CONTINUOUS" or "DASHED"
};

// Group code, value: the whole grammar of DXF (AutoCAD R12 customization manual, ch. 11; from
// memory, checked by reading the result back with GDAL).
class DxfWriter {
 public:
  void put(int code, const std::string& value);
  void put(int code, int value) { put(code, std::to_string(value)); }
  void real(int code, double value);
  void point(int code, PointMm p);
  void entity(const char* type, const char* layer);

  void header(const std::vector<std::string>& comments, PointMm low, PointMm high);
  void tables(const std::vector<DxfLayer>& layers);
  void begin_entities();
  void line(const char* layer, PointMm a, PointMm b);
  void polyline(const char* layer, const std::vector<ArcVertex>& vertices, bool closed);
  void centred_text(const char* layer, PointMm middle, double height_mm, const std::string& text);
  std::string finish();

 private:
  void line_type(const char* name, const char* looks, const std::vector<double>& dashes);

  std::string text_;
};

}  // namespace panecard::drawings
