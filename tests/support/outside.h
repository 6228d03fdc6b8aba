// Other programs that read what we wrote. A test that lacks its program fails and says so.
#pragma once

#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "geom/geom.h"

namespace panecard::outside {

/// A file that lives as long as this object.
class TemporaryFile {
 public:
  TemporaryFile(const std::string& suffix, const std::string& bytes);
  ~TemporaryFile();
  TemporaryFile(const TemporaryFile&) = delete;
  TemporaryFile& operator=(const TemporaryFile&) = delete;
  const std::string& path() const { return path_; }

 private:
  std::string path_;
};

/// Standard output of a program; throws with the Debian package to install when there is none, and
/// with what it said when it fails.
std::string run(const std::string& program, const std::string& package,
                const std::string& arguments);

/// One entity of a DXF file as GDAL tells it: arcs in chords of 0.1 degree, texts at their point.
struct DxfFeature {
  std::string layer, text;
  PolygonMm points;
};
std::vector<DxfFeature> read_dxf(const std::string& dxf);

/// Pages as pictures: grey unless `colour`.
cv::Mat picture_of_pdf(const std::string& pdf, double px_per_mm, bool colour = false);
cv::Mat picture_of_svg(const std::string& svg, double px_per_mm);

}  // namespace panecard::outside
