#include "support/outside.h"

#include <unistd.h>

#include <array>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <memory>
#include <opencv2/imgcodecs.hpp>
#include <stdexcept>
#include <vector>

namespace panecard::outside {
namespace {

struct Closed {
  int status = -1;
  std::string output;
};

Closed shell(const std::string& command) {
  Closed out;
  std::FILE* pipe = popen(command.c_str(), "r");
  if (pipe == nullptr) throw std::runtime_error("popen failed");
  std::array<char, 65536> buffer;
  for (std::size_t n = 0; (n = std::fread(buffer.data(), 1, buffer.size(), pipe)) > 0;) {
    out.output.append(buffer.data(), n);
  }
  out.status = pclose(pipe);
  return out;
}

cv::Mat decode(const std::string& bytes, bool colour) {
  const std::vector<unsigned char> data(bytes.begin(), bytes.end());
  return cv::imdecode(data, colour ? cv::IMREAD_COLOR : cv::IMREAD_GRAYSCALE);
}

}  // namespace

TemporaryFile::TemporaryFile(const std::string& suffix, const std::string& bytes) {
  std::string name = (std::filesystem::temp_directory_path() / "panecard-XXXXXX").string() + suffix;
  const int file = mkstemps(name.data(), static_cast<int>(suffix.size()));
  if (file < 0) throw std::runtime_error("no temporary file: " + name);
  close(file);
  path_ = name;
  std::ofstream(path_, std::ios::binary) << bytes;
}

TemporaryFile::~TemporaryFile() { std::filesystem::remove(path_); }

std::string run(const std::string& program, const std::string& package,
                const std::string& arguments) {
  if (shell("command -v " + program).status != 0) {
    throw std::runtime_error("this test needs " + program + ": apt-get install " + package);
  }
  Closed out = shell(program + " " + arguments);
  if (out.status != 0) throw std::runtime_error(program + " failed: " + out.output);
  return std::move(out.output);
}

std::vector<DxfFeature> read_dxf(const std::string& dxf) {
  const TemporaryFile file(".dxf", dxf);
  std::istringstream text(run("ogrinfo", "gdal-bin",
                              "--config OGR_ARC_STEPSIZE 0.1 --config DXF_MERGE_BLOCK_GEOMETRIES "
                              "NO -ro -al " +
                                  file.path()));
  std::vector<DxfFeature> out;
  for (std::string line; std::getline(text, line);) {
    if (line.find("  Layer (String) = ") == 0) out.push_back({line.substr(19), {}, {}});
    if (line.find("  Text (String) = ") == 0) out.back().text = line.substr(18);
    const bool points = line.find("STRING") != std::string::npos || line.find("  POINT") == 0;
    if (!points || out.empty() || line.find('(') == std::string::npos) continue;
    std::istringstream numbers(line.substr(line.find('(') + 1));
    for (double x = 0, y = 0, z = 0; numbers >> x >> y;) {
      if (line.find(" Z ") != std::string::npos) numbers >> z;
      out.back().points.push_back({x, y});
      numbers.ignore(1);
    }
  }
  return out;
}

cv::Mat picture_of_pdf(const std::string& pdf, double px_per_mm, bool colour) {
  const TemporaryFile file(".pdf", pdf);
  return decode(
      run("pdftoppm", "poppler-utils",
          "-r " + std::to_string(25.4 * px_per_mm) + (colour ? " " : " -gray ") + file.path()),
      colour);
}

cv::Mat picture_of_svg(const std::string& svg, double px_per_mm) {
  const TemporaryFile file(".svg", svg);
  const std::string dpi = std::to_string(25.4 * px_per_mm);
  const std::string arguments = "-b white -d " + dpi + " -p " + dpi + " ";
  return decode(run("rsvg-convert", "librsvg2-bin", arguments + file.path()), false);
}

}  // namespace panecard::outside
