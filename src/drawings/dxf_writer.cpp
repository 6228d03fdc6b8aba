#include "drawings/dxf_writer.h"

#include <cmath>

#include "drawings/wording.h"

namespace panecard::drawings {

void DxfWriter::put(int code, const std::string& value) {
  text_ += std::to_string(code) + "\n" + value + "\n";
}

void DxfWriter::real(int code, double value) { put(code, fixed(value, 6)); }

void DxfWriter::point(int code, PointMm p) {
  real(code, p.x);
  real(code + 10, p.y);
  real(code + 20, 0);
}

void DxfWriter::entity(const char* type, const char* layer) {
  put(0, type);
  put(8, layer);
}

void DxfWriter::header(const std::vector<std::string>& comments, PointMm low, PointMm high) {
  for (const std::string& comment : comments) put(999, comment);
  put(0, "SECTION");
  put(2, "HEADER");
  put(9, "$ACADVER");
  put(1, "AC1009");
  put(9, "$INSUNITS");
  put(70, 4);
  put(9, "$MEASUREMENT");
  put(70, 1);
  put(9, "$EXTMIN");
  point(10, low);
  put(9, "$EXTMAX");
  point(10, high);
  put(0, "ENDSEC");
}

void DxfWriter::line_type(const char* name, const char* looks, const std::vector<double>& dashes) {
  put(0, "LTYPE");
  put(2, name);
  put(70, 0);
  put(3, looks);
  put(72, 65);
  put(73, static_cast<int>(dashes.size()));
  double length = 0;
  for (const double d : dashes) length += std::abs(d);
  real(40, length);
  for (const double d : dashes) real(49, d);
}

void DxfWriter::tables(const std::vector<DxfLayer>& layers) {
  put(0, "SECTION");
  put(2, "TABLES");
  put(0, "TABLE");
  put(2, "LTYPE");
  put(70, 2);
  line_type("CONTINUOUS", "Solid line", {});
  line_type("DASHED", "_ _ _ _", {6, -4});
  put(0, "ENDTAB");
  put(0, "TABLE");
  put(2, "LAYER");
  put(70, static_cast<int>(layers.size()) + 1);
  const auto layer = [this](const DxfLayer& l) {
    put(0, "LAYER");
    put(2, l.name);
    put(70, 0);
    put(62, l.colour);
    put(6, l.line_type);
  };
  layer({"0", 7, "CONTINUOUS"});
  for (const DxfLayer& l : layers) layer(l);
  put(0, "ENDTAB");
  put(0, "ENDSEC");
}

void DxfWriter::begin_entities() {
  put(0, "SECTION");
  put(2, "ENTITIES");
}

void DxfWriter::line(const char* layer, PointMm a, PointMm b) {
  entity("LINE", layer);
  point(10, a);
  point(11, b);
}

void DxfWriter::polyline(const char* layer, const std::vector<ArcVertex>& vertices, bool closed) {
  entity("POLYLINE", layer);
  put(66, 1);
  point(10, {0, 0});
  put(70, closed ? 1 : 0);
  for (const ArcVertex& v : vertices) {
    entity("VERTEX", layer);
    point(10, v.at);
    if (v.bulge != 0) put(42, fixed(v.bulge, 12));
  }
  entity("SEQEND", layer);
}

void DxfWriter::centred_text(const char* layer, PointMm middle, double height_mm,
                             const std::string& text) {
  entity("TEXT", layer);
  point(10, middle);
  real(40, height_mm);
  put(1, text);
  put(72, 1);
  point(11, middle);
  put(73, 2);
}

std::string DxfWriter::finish() {
  put(0, "ENDSEC");
  put(0, "EOF");
  return std::move(text_);
}

}  // namespace panecard::drawings
